//! What the window remembers outside the session.
//!
//! Selection, zoom and open panes are neither saved nor undone.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::Arc;

use glassine_engine::{FrameScope, Overlay};
use glassine_film::{Look, ParamGroup};
use glassine_raster::{Point, Scan, TiltedBox};
use glassine_session::{Frame, FrameId, FrameMark, ScanId, ScanRef, Session, Strip, StripId, StrokeKind};

use crate::model::aspect_lock::AspectLock;
use crate::model::brush_state::CleanState;
use crate::model::colour_tools::ColourState;
use crate::model::doubts::is_doubtful;
use crate::model::facts_table::FactsPane;
use crate::model::guide::GuideState;
use crate::model::panels::PanelState;
use crate::model::preview_requests::PreviewRequests;
use crate::model::questions::Question;
use crate::model::scanner_state::ScannerPanel;
use crate::model::screen_state::{ProofChoice, ScreenChoice};
use crate::model::sharpness_state::FocusPane;

/// What the pointer does on the strip and in the large picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum StripTool {
    /// Select, move, size and turn boxes.
    #[default]
    Boxes,
    /// Draw a box in which the film base is measured.
    BaseBox,
    /// Draw along something level; the selected boxes turn with it.
    Level,
    /// Click something grey in the large picture; the frame's balance follows it.
    GreyPoint,
    /// Draw a box around a slanted edge in the large picture, whose response is measured.
    Edge,
    /// Paint in the large picture what dust repair fills or leaves alone.
    Brush(StrokeKind),
}

/// What to do about a scan on which no frame was found.
pub const NO_FRAME: &str = "no frame was found on this scan: choose another film, format or encoding in the section \
                            film and find the frames again, or press N for a box of your own";

/// The first scan that has no strip.
pub fn first_bare_scan(session: &Session) -> Option<&Arc<ScanRef>> {
    session.scans.iter().find(|scan| !session.strips.iter().any(|strip| strip.scan == scan.id))
}

/// Range of a strip's height while zooming, points.
const ZOOM_POINTS: (f64, f64) = (24.0, 40_000.0);

/// Which frames stand out in the contact print; the others are dimmed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FrameFilter {
    #[default]
    All,
    Marked(FrameMark),
    InDoubt,
}

impl FrameFilter {
    /// Every filter, in display order.
    pub const ALL: [Self; 6] = [
        Self::All,
        Self::Marked(FrameMark::Keep),
        Self::Marked(FrameMark::LookAgain),
        Self::Marked(FrameMark::LeaveOut),
        Self::Marked(FrameMark::Unmarked),
        Self::InDoubt,
    ];

    pub fn label(self) -> &'static str {
        match self {
            Self::All => "every frame",
            Self::Marked(mark) => mark.label(),
            Self::InDoubt => "in doubt",
        }
    }

    pub fn shows(self, session: &Session, frame: &Frame) -> bool {
        match self {
            Self::All => true,
            Self::Marked(mark) => frame.mark == mark,
            Self::InDoubt => is_doubtful(session, frame),
        }
    }
}

/// Position and zoom of the strip view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StripViewState {
    /// Screen points for the height of one strip; `None` fits the current strip, or everything.
    pub zoom_points: Option<f64>,
    /// Every strip of the session is shown with its prints, as on a contact print, in place of the large picture.
    pub contact: bool,
    /// Frames that stand out there.
    pub filter: FrameFilter,
    /// Position in strip space at the middle of the view.
    pub center: (f64, f64),
    /// Show whole scans instead of one piece for each strip.
    pub whole_scans: bool,
    /// Points of a strip's height in the last frame drawn, fitted or zoomed.
    pub fitted_points: f64,
    /// The strip the view follows; it changes only while no button is down.
    pub follows_strip: Option<StripId>,
    /// The frame that was last brought into view.
    pub follows_frame: Option<FrameId>,
    /// Share of the window's height for strip and prints.
    pub share: f32,
}

impl Default for StripViewState {
    fn default() -> Self {
        Self {
            zoom_points: None,
            contact: false,
            filter: FrameFilter::All,
            center: (0.5, 0.5),
            whole_scans: false,
            fitted_points: 100.0,
            follows_strip: None,
            follows_frame: None,
            share: 0.4,
        }
    }
}

impl StripViewState {
    /// Points of a strip's height, larger or smaller by a factor.
    pub fn zoomed(points: f64, factor: f64) -> f64 {
        (points * factor).clamp(ZOOM_POINTS.0, ZOOM_POINTS.1)
    }
}

/// Position and display of the large view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameViewState {
    /// Scan pixels at a scale, instead of the whole picture.
    pub loupe: bool,
    /// Screen pixels for one scan pixel in the loupe.
    pub scale: f64,
    /// Screen pixels for one scan pixel of the whole picture in the last frame drawn.
    pub fitted_scale: f64,
    /// Centre of the loupe in the upright picture's unit square.
    pub center: (f64, f64),
    /// The part left of this share of the picture's width is shown as before.
    pub split: Option<f64>,
    /// The two frames selected last are shown side by side.
    pub beside: bool,
    /// The settings that the picture before lacks; all of them if none is named.
    pub before_without: Option<ParamGroup>,
    /// Overlay on the picture.
    pub overlay: Overlay,
    /// The frame is shown before its settings, while the user holds the control.
    pub show_before: bool,
}

impl Default for FrameViewState {
    fn default() -> Self {
        Self {
            loupe: false,
            scale: 1.0,
            fitted_scale: 1.0,
            center: (0.5, 0.5),
            split: None,
            beside: false,
            before_without: None,
            overlay: Overlay::None,
            show_before: false,
        }
    }
}

/// Range of the zoom, screen pixels for one scan pixel. A picture that is larger than the view at the low end can be
/// made as small as the view.
pub const ZOOM: (f64, f64) = (0.25, 8.0);

impl FrameViewState {
    /// Shows the picture larger or smaller by a factor. Smaller than the view it is shown whole.
    pub fn zoom_by(&mut self, factor: f64) {
        let now = if self.loupe { self.scale } else { self.fitted_scale };
        let scale = (now * factor).clamp(ZOOM.0.min(self.fitted_scale), ZOOM.1);
        if !scale.is_finite() {
            return;
        }
        // A step that passes one to one stops there.
        let passes = (now < 0.99 && scale > 1.01) || (now > 1.01 && scale < 0.99);
        self.scale = if passes { 1.0 } else { scale };
        self.loupe = self.scale > self.fitted_scale * 1.001 || (factor > 1.0 && self.scale > now);
    }
}

/// A box that the user is moving, sizing or turning.
#[derive(Debug, Clone, PartialEq)]
pub struct BoxDrag {
    /// The box under the pointer.
    pub frame: FrameId,
    /// The part held.
    pub part: BoxPart,
    /// Where the pointer went down, scan pixels.
    pub from: Point<Scan>,
    /// Every box that follows, as it was then.
    pub before: Vec<(FrameId, TiltedBox)>,
}

/// Part of a box that the pointer can hold. Sides and corners are those of the box itself, not of the screen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BoxPart {
    /// The inside: moves the box.
    Body,
    /// A side or corner: which edges follow, -1 for left or top, 1 for right or bottom, 0 for none.
    Edge(i8, i8),
    /// The knob that turns it.
    Knob,
}

/// State of the dialogs about session files and scans.
#[derive(Debug, Clone, Default)]
pub struct FileDialogState {
    /// The list of unsaved work of earlier runs is open: on the page before a session, else as a dialog.
    pub shows_unsaved: bool,
    /// The autosave whose removal the user must confirm.
    pub discards: Option<PathBuf>,
    /// The save conflict dialog shows everything that differs.
    pub compares: bool,
    /// Strips that were measured before the reading of their scan changed.
    pub measured_before: Vec<MeasuredBefore>,
}

/// A strip as it was measured, and how its scan was read then.
#[derive(Debug, Clone)]
pub struct MeasuredBefore {
    pub strip: Arc<Strip>,
    pub scan: Arc<ScanRef>,
}

impl MeasuredBefore {
    /// Whether the strip's base and solve still come from another reading of the scan.
    pub fn is_stale(&self, session: &Session) -> bool {
        let (Some(strip), Some(scan)) = (session.strip(self.strip.id), session.scan(self.scan.id)) else {
            return false;
        };
        let print = |scan: &ScanRef| {
            scan.fingerprint.as_ref().map(|print| (print.bytes, print.sampled_blake3.clone()))
        };
        let same_samples = scan.reads_like(&self.scan) && print(scan) == print(&self.scan);
        !same_samples
            && (strip.base.is_some() || strip.solve.is_some())
            && strip.base == self.strip.base
            && strip.solve == self.strip.solve
    }
}

/// What is searched for in the list of commands.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CommandSearch {
    pub text: String,
    /// Place of the chosen command among those found.
    pub at: usize,
}

/// Everything the window remembers besides the session.
#[derive(Debug, Clone, Default)]
pub struct UiState {
    /// Selected frames; edits go to all of them.
    pub selected: BTreeSet<FrameId>,
    /// The frame shown large and in the histogram; always one of the selected.
    pub primary: Option<FrameId>,
    /// Current strip when no frame is selected.
    pub active_strip: Option<StripId>,
    /// Strip view.
    pub strip: StripViewState,
    /// Large view.
    pub frame: FrameViewState,
    pub tool: StripTool,
    /// The current box drag.
    pub box_drag: Option<BoxDrag>,
    /// The box that the guard held back last, and when.
    pub held_back: Option<(FrameId, f64)>,
    /// The first end of a line or box being drawn, scan pixels of that scan.
    pub drawing_from: Option<(ScanId, Point<Scan>)>,
    /// The box or picture that has the keyboard: arrow keys then move boxes.
    pub canvas_focus: Option<egui::Id>,
    /// The frame of that box or picture.
    pub canvas_frame: Option<FrameId>,
    /// Proportion that boxes keep while the user sizes them.
    pub aspect: AspectLock,
    pub show_base_pixels: bool,
    /// Whether the overlaps of joined scans show what their parts differ by.
    pub show_part_differences: bool,
    /// The copied look.
    pub copied_look: Option<Look>,
    pub show_export: bool,
    /// The table of what is written about the frames, while it is open.
    pub facts: Option<FactsPane>,
    pub guide: GuideState,
    /// The list of commands, while it is open.
    pub command_search: Option<CommandSearch>,
    pub show_notices: bool,
    /// Light surround instead of the dark one.
    pub light: bool,
    pub question: Option<Question>,
    /// Dialogs about session files and scans.
    pub files: FileDialogState,
    /// Balance wheel, grids of variations, grey point, chart being measured.
    pub colour: ColourState,
    /// Repair brush, comparison.
    pub clean: CleanState,
    /// The pane that compares scans, if it is open.
    pub focus: Option<FocusPane>,
    /// The panel of the scanner.
    pub scanner: ScannerPanel,
    /// The profile of the screen, if the user named one.
    pub screen: ScreenChoice,
    /// Soft proof.
    pub proof: ProofChoice,
    /// State of the settings, histogram and export panes.
    pub panels: PanelState,
    /// What the views showed in the last frame, so that it can be rendered.
    pub requests: PreviewRequests,
}

/// Time for which the window says that a box is held back, seconds.
const HELD_BACK_S: f64 = 3.0;

impl UiState {
    /// The box that is being held back by its guard, or was a moment ago; since when, seconds.
    pub fn held_back_for(&self, now_s: f64) -> Option<(FrameId, f64)> {
        let (frame, at_s) = self.held_back?;
        let since_s = now_s - at_s;
        (0.0..HELD_BACK_S).contains(&since_s).then_some((frame, since_s))
    }

    /// The current strip: that of the primary frame, else the last one worked on, else the first.
    pub fn strip<'a>(&self, session: &'a Session) -> Option<&'a Arc<Strip>> {
        let of_frame =
            self.primary.and_then(|id| session.frame(id)).and_then(|frame| session.strip(frame.strip));
        of_frame
            .or_else(|| self.active_strip.and_then(|id| session.strip(id)))
            .or_else(|| session.strips.first())
    }

    /// Scans of the current strip and of the selected frames that can be joined. The current one comes first: it keeps its
    /// pixels.
    pub fn scans_to_join(&self, session: &Session) -> Vec<ScanId> {
        let frames = session.frames.iter().filter(|frame| self.is_selected(frame.id));
        let selected = frames.filter_map(|frame| session.strip(frame.strip));
        let mut scans = Vec::new();
        for id in self.strip(session).into_iter().chain(selected).map(|strip| strip.scan) {
            let is_joined = session.scan(id).is_some_and(|scan| scan.join.is_some());
            if !is_joined && !scans.contains(&id) {
                scans.push(id);
            }
        }
        scans
    }

    /// Whether a frame is selected.
    pub fn is_selected(&self, frame: FrameId) -> bool {
        self.selected.contains(&frame)
    }

    /// This tool, or none if it is the current one.
    pub fn toggled_tool(&self, tool: StripTool) -> StripTool {
        if self.tool == tool { StripTool::Boxes } else { tool }
    }

    /// Selected frames in the order shown.
    pub fn selected_in_order(&self, session: &Session) -> Vec<FrameId> {
        session.frames.iter().map(|frame| frame.id).filter(|id| self.selected.contains(id)).collect()
    }

    /// Frames to export, as chosen in the export pane.
    pub fn export_scope(&self, session: &Session) -> FrameScope {
        if self.panels.export_selected_only {
            FrameScope::Only(self.selected_in_order(session))
        } else {
            FrameScope::All
        }
    }

    /// Drops everything that names frames or strips the session does not have (any more).
    pub fn prune(&mut self, session: &Session) {
        self.selected.retain(|id| session.frame(*id).is_some());
        if self.primary.is_none_or(|id| !self.selected.contains(&id)) {
            self.primary = self.selected_in_order(session).first().copied();
        }
        if self.active_strip.is_some_and(|id| session.strip(id).is_none()) {
            self.active_strip = None;
        }
    }

    /// Drops everything that belonged to another session; keeps panes and zoom habits.
    pub fn begin_session(&mut self, session: &Session) {
        self.active_strip = session.strips.first().map(|strip| strip.id);
        self.strip = StripViewState {
            whole_scans: self.strip.whole_scans,
            contact: self.strip.contact,
            share: self.strip.share,
            ..StripViewState::default()
        };
        self.frame = FrameViewState::default();
        self.tool = StripTool::Boxes;
        self.colour.begin_session();
        self.clean.begin_session();
        self.box_drag = None;
        self.held_back = None;
        self.drawing_from = None;
        self.show_base_pixels = false;
        self.show_part_differences = false;
        self.files.compares = false;
        self.files.measured_before.clear();
        self.requests = PreviewRequests::default();
        self.begin_selection(session);
    }

    /// Selects the first frame.
    pub(crate) fn begin_selection(&mut self, session: &Session) {
        self.primary = session.frames.first().map(|frame| frame.id);
        self.selected = self.primary.into_iter().collect();
    }
}

/// Whether a frame is part of an export.
pub fn is_in(scope: &FrameScope, frame: &Frame) -> bool {
    match scope {
        FrameScope::All => !frame.is_left_out(),
        FrameScope::Only(ids) => ids.contains(&frame.id),
    }
}

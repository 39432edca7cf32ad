//! The scanner as the window knows it: devices, what is chosen, what was scanned, what is still to be scanned.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use egui::TextureId;
use glassine_acquire::{
    AreaMm, Choice, DEPTH, Device, DeviceOption, DeviceState, MODE, OptionValue, RESOLUTION, SOURCE,
    ScanChoices, X_RESOLUTION, is_of_plan,
};
use glassine_engine::Notice;
use glassine_raster::{MM_PER_INCH, TiltedBox};
use glassine_session::{Frame, FrameId, ScaleShift, ScanId, Session};
use serde::{Deserialize, Serialize};

/// Film around a picture that is scanned with it, so that its base can be measured. Our choice: the rebate between
/// pictures of 35 mm film is 2 mm wide.
const MARGIN_MM: f64 = 2.0;
/// Film around a strip. Our choice: a millimetre of the holder shows where the film ends.
const STRIP_MARGIN_MM: f64 = 1.0;
/// Resolutions asked for until the user chooses others. Our choice: an overview of a holder takes seconds, and the
/// frames hold what common flatbeds resolve.
const OVERVIEW_PPI: f64 = 300.0;
const FRAMES_PPI: f64 = 2400.0;

/// What one file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ScanUnit {
    #[default]
    Frame,
    Strip,
    Whole,
}

/// What the user chose for a device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct DeviceChoices {
    pub source: Option<String>,
    pub mode: Option<String>,
    pub overview_ppi: f64,
    pub frames_ppi: f64,
    pub unit: ScanUnit,
    /// Further options that the user set, as text.
    pub options: BTreeMap<String, String>,
    /// The driver delivers the bytes of 16-bit samples in the other order.
    pub swap_bytes: bool,
    /// Time for a megapixel, from the last scan.
    pub seconds_per_megapixel: Option<f64>,
}

impl Default for DeviceChoices {
    fn default() -> Self {
        Self {
            source: None,
            mode: None,
            overview_ppi: OVERVIEW_PPI,
            frames_ppi: FRAMES_PPI,
            unit: ScanUnit::default(),
            options: BTreeMap::new(),
            swap_bytes: false,
            seconds_per_megapixel: None,
        }
    }
}

impl DeviceChoices {
    /// The choices for a scan of an area, or of everything.
    pub fn scan(&self, ppi: f64, area: Option<AreaMm>) -> ScanChoices {
        ScanChoices {
            source: self.source.clone(),
            mode: self.mode.clone(),
            depth_bits: None,
            ppi: Some(ppi),
            area,
            options: Vec::new(),
            kept: self.options.iter().map(|(name, value)| (name.clone(), value.clone())).collect(),
        }
    }

    /// Choices that a device takes: what it does not offer is replaced, film and infrared first.
    #[must_use]
    pub fn fitted(&self, state: &DeviceState) -> Self {
        // The kept text if it is offered, else the best of those offered, else what is set.
        let chosen = |known: &Option<String>, name: &str, rank: fn(&str) -> u8| {
            let option = option_of(state, name)?;
            let now = option.value.as_ref().map(OptionValue::text);
            let Choice::Texts(texts) = &option.choice else { return now };
            let kept = known.as_ref().filter(|text| texts.contains(text)).cloned();
            let best = || texts.iter().rev().max_by_key(|text| rank(&text.to_lowercase()));
            let best = || best().filter(|text| rank(&text.to_lowercase()) > 0).cloned();
            kept.or_else(best).or(now)
        };
        Self {
            source: chosen(&self.source, SOURCE, source_rank),
            mode: chosen(&self.mode, MODE, mode_rank),
            overview_ppi: fitted_ppi(state, self.overview_ppi),
            frames_ppi: fitted_ppi(state, self.frames_ppi),
            ..self.clone()
        }
    }
}

/// How well a source suits film, from its name in lower case; 0 says nothing. Our choice, from words that drivers use.
fn source_rank(name: &str) -> u8 {
    ["slide", "negative", "film", "transparen"]
        .iter()
        .rposition(|word| name.contains(word))
        .map_or(0, |at| at as u8 + 1)
}

/// How well a mode suits film: colour with infrared, then many bits, then colour.
fn mode_rank(name: &str) -> u8 {
    let is_colour = ["color", "colour", "rgb"].iter().any(|word| name.contains(word));
    let is_deep = name.contains("48") || name.contains("16 bit") || name.contains("16-bit");
    match is_colour {
        true if name.contains("infrared") || name.contains("rgbi") => 3,
        true if is_deep => 2,
        true => 1,
        false => 0,
    }
}

/// What is kept from one run to the next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ScannerHabits {
    /// Name of the device used last.
    pub device: Option<String>,
    pub choices: BTreeMap<String, DeviceChoices>,
    /// Where scans are written.
    pub folder: Option<PathBuf>,
    /// What the user wants to be reminded of before each strip.
    pub reminders: Vec<String>,
}

impl Default for ScannerHabits {
    fn default() -> Self {
        let reminders = [
            "dust blown off film and glass with a hand blower; canned air can spray its propellant on the film",
            "emulsion side as the holder says; frame numbers readable from above",
            "film flat, holder at its best height",
            "glass beside the film covered, lid closed without force",
        ];
        Self {
            device: None,
            choices: BTreeMap::new(),
            folder: None,
            reminders: reminders.map(str::to_owned).to_vec(),
        }
    }
}

impl ScannerHabits {
    /// What was chosen for a device.
    pub fn choices_of(&self, device: &str) -> DeviceChoices {
        self.choices.get(device).cloned().unwrap_or_default()
    }
}

/// What the panel shows and the session does not hold.
#[derive(Debug, Clone, Default)]
pub struct ScannerPanel {
    pub is_open: bool,
    pub shows_driver_options: bool,
    /// Reminders that are done for this strip.
    pub done: Vec<bool>,
    /// The reminders as text while they are edited.
    pub draft: Option<String>,
    /// Numbers of driver options while they are typed, by name.
    pub typed: BTreeMap<String, String>,
}

/// What is being done with the device.
#[derive(Debug, Clone, PartialEq)]
pub enum Doing {
    Looking,
    Opening,
    Setting,
    Overview { id: u64 },
    Item { id: u64, nth: usize },
}

/// The picture of the running scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LiveShown {
    pub texture: TextureId,
    pub size_px: [usize; 2],
    /// Rows that have arrived.
    pub rows: usize,
}

/// Where the last overview lies on the glass.
#[derive(Debug, Clone, PartialEq)]
pub struct OverviewPlace {
    pub path: PathBuf,
    /// The scanned area; its corner is that of the file.
    pub area: AreaMm,
    pub ppi: f64,
    /// Exposures it was scanned with, where the device has them.
    pub exposures: Vec<f64>,
}

impl OverviewPlace {
    /// The area on the glass around some places of the overview, with a margin, held to what the device scans.
    fn area_around(&self, boxes: &[TiltedBox], margin_mm: f64, whole: Option<AreaMm>) -> Option<AreaMm> {
        let mm = |px: f64| px * MM_PER_INCH / self.ppi;
        let corners = || boxes.iter().flat_map(TiltedBox::corners);
        let (x0, x1) =
            corners().fold((f64::MAX, f64::MIN), |(low, high), at| (low.min(at.x), high.max(at.x)));
        let (y0, y1) =
            corners().fold((f64::MAX, f64::MIN), |(low, high), at| (low.min(at.y), high.max(at.y)));
        let glass = whole.unwrap_or(self.area);
        let left = (self.area.left_mm + mm(x0) - margin_mm).max(glass.left_mm);
        let top = (self.area.top_mm + mm(y0) - margin_mm).max(glass.top_mm);
        let right = (self.area.left_mm + mm(x1) + margin_mm).min(glass.left_mm + glass.width_mm);
        let bottom = (self.area.top_mm + mm(y1) + margin_mm).min(glass.top_mm + glass.height_mm);
        let area = AreaMm { left_mm: left, top_mm: top, width_mm: right - left, height_mm: bottom - top };
        (area.width_mm > 0.0 && area.height_mm > 0.0).then_some(area)
    }

    /// Where places of the overview lie on a scan of an area.
    pub fn to_scan(&self, area: AreaMm, ppi: f64) -> ScaleShift {
        let px = |mm: f64| mm * ppi / MM_PER_INCH;
        ScaleShift {
            scale: ppi / self.ppi,
            dx_px: px(self.area.left_mm - area.left_mm),
            dy_px: px(self.area.top_mm - area.top_mm),
        }
    }
}

/// How far a file of the batch is.
#[derive(Debug, Clone, PartialEq)]
pub enum ItemState {
    Waiting,
    Scanning,
    Done,
    Failed(Notice),
}

/// One file to scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    pub frames: Vec<FrameId>,
    /// Number of the frame, or what else it is.
    pub label: String,
    /// Ending of the file name.
    pub stem: String,
    pub area: AreaMm,
    pub state: ItemState,
}

/// Files that are scanned one after the other.
#[derive(Debug, Clone, PartialEq)]
pub struct Batch {
    pub items: Vec<Item>,
    pub overview: OverviewPlace,
    pub ppi: f64,
    pub is_stopped: bool,
}

impl Batch {
    /// Files that have not been scanned.
    pub fn left(&self) -> usize {
        self.items.iter().filter(|item| item.state != ItemState::Done).count()
    }

    /// Megapixels of the files from one on.
    pub fn megapixels(&self, is_counted: impl Fn(&ItemState) -> bool) -> f64 {
        let items = self.items.iter().filter(|item| is_counted(&item.state));
        items.map(|item| megapixels(item.area, self.ppi)).sum()
    }
}

/// Megapixels of an area.
pub fn megapixels(area: AreaMm, ppi: f64) -> f64 {
    area.width_mm * area.height_mm * (ppi / MM_PER_INCH).powi(2) / 1e6
}

/// The files for the frames on an overview: each frame, each strip, or everything. Frames that are left out need none.
pub fn items(
    session: &Session,
    overview: &OverviewPlace,
    unit: ScanUnit,
    whole: Option<AreaMm>,
) -> Vec<Item> {
    let Some(scan) = scan_of(session, &overview.path) else { return Vec::new() };
    let strips: Vec<_> =
        session.strips_in_order().into_iter().filter(|strip| strip.scan == scan).cloned().collect();
    let wanted = |frame: &&std::sync::Arc<Frame>| !frame.is_left_out();
    let item = |frames: Vec<FrameId>, label: String, stem: String, area: Option<AreaMm>| {
        let state = ItemState::Waiting;
        area.filter(|_| !frames.is_empty()).map(|area| Item { frames, label, stem, area, state })
    };
    let image = |frame: &Frame| frame.image_area.unwrap_or(frame.crop);
    match unit {
        ScanUnit::Frame => {
            let frames = strips.iter().flat_map(|strip| session.frames_of(strip.id)).filter(wanted);
            let of_frame = |frame: &std::sync::Arc<Frame>| {
                let area = overview.area_around(&[image(frame), frame.crop], MARGIN_MM, whole);
                let number = session.number_text(frame);
                item(vec![frame.id], format!("frame {number}"), format!("frame-{number}"), area)
            };
            frames.filter_map(of_frame).collect()
        }
        ScanUnit::Strip => {
            let of_strip = |strip: &std::sync::Arc<glassine_session::Strip>| {
                let frames: Vec<_> = session.frames_of(strip.id).filter(wanted).collect();
                let mut boxes: Vec<TiltedBox> = frames.iter().map(|frame| image(frame)).collect();
                boxes.extend(strip.film_area);
                let area = overview.area_around(&boxes, STRIP_MARGIN_MM, whole);
                let place = session.strip_place(strip.id);
                let ids = frames.iter().map(|frame| frame.id).collect();
                item(ids, format!("strip {place}"), format!("strip-{place}"), area)
            };
            strips.iter().filter_map(of_strip).collect()
        }
        ScanUnit::Whole => {
            let frames = strips.iter().flat_map(|strip| session.frames_of(strip.id)).filter(wanted);
            let ids = frames.map(|frame| frame.id).collect();
            let place = strips.first().map_or(1, |strip| session.strip_place(strip.id));
            let label = "the whole area".to_owned();
            item(ids, label, format!("strip-{place}"), Some(overview.area)).into_iter().collect()
        }
    }
}

/// Those of some files with a frame that is not just being taken over to its scan.
pub fn items_left(items: Vec<Item>, taking: &[FrameId]) -> Vec<Item> {
    items.into_iter().filter(|item| !item.frames.iter().all(|frame| taking.contains(frame))).collect()
}

/// The scan of a file.
pub fn scan_of(session: &Session, path: &Path) -> Option<ScanId> {
    session.scans.iter().find(|scan| scan.path == path).map(|scan| scan.id)
}

/// An active option.
pub fn option_of<'a>(state: &'a DeviceState, name: &str) -> Option<&'a DeviceOption> {
    state.options.iter().find(|option| option.name == name && option.is_active)
}

/// The option of the resolution.
pub fn ppi_option(state: &DeviceState) -> Option<&DeviceOption> {
    option_of(state, RESOLUTION).or_else(|| option_of(state, X_RESOLUTION))
}

/// The resolution nearest to a wanted one that the device has.
fn fitted_ppi(state: &DeviceState, wanted: f64) -> f64 {
    ppi_option(state).and_then(|option| option.nearest(wanted)).unwrap_or(wanted)
}

/// Options that are not shown in the plain part of the panel: those of the driver alone.
pub fn driver_options(state: &DeviceState) -> impl Iterator<Item = &DeviceOption> {
    state.options.iter().filter(|option| !option.name.is_empty() && !is_of_plan(&option.name))
}

/// Bits a sample that a scan will have, in words.
pub fn depth_text(state: &DeviceState) -> Option<String> {
    let option = option_of(state, DEPTH)?;
    let most = option.most_bits().or_else(|| option.value.as_ref()?.number())?;
    Some(format!("{most:.0} bits a colour"))
}

/// Everything about the scanner that the views show.
#[derive(Debug, Clone, Default)]
pub struct ScannerFacts {
    pub habits: ScannerHabits,
    /// Devices that were found; `None` before the first look.
    pub devices: Option<Vec<Device>>,
    /// The open device.
    pub device: Option<String>,
    pub state: DeviceState,
    pub choices: DeviceChoices,
    pub doing: Option<Doing>,
    /// Share of the running scan, and lines, in words.
    pub share: f32,
    pub detail: String,
    pub remaining: Option<String>,
    /// What went wrong last.
    pub trouble: Option<Notice>,
    /// What deserves attention about the last scan.
    pub remarks: Vec<String>,
    pub live: Option<LiveShown>,
    pub overview: Option<OverviewPlace>,
    pub batch: Option<Batch>,
    /// Frames that are being taken over to their scans.
    pub taking: Vec<FrameId>,
    /// Free space where scans are written, bytes.
    pub free_bytes: Option<u64>,
    /// The folder whose new scans the session takes.
    pub watched: Option<PathBuf>,
}

impl ScannerFacts {
    /// Whether a scan runs.
    pub fn is_scanning(&self) -> bool {
        matches!(self.doing, Some(Doing::Overview { .. } | Doing::Item { .. }))
    }

    /// Whether the overview is being scanned.
    pub fn scans_overview(&self) -> bool {
        matches!(self.doing, Some(Doing::Overview { .. }))
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use glassine_acquire::{Unit, ValueKind};
    use glassine_film::FilmKind;
    use glassine_session::{Edit, FoundStripEdit, NewFrame, ScanRef};

    use super::*;

    fn option(name: &str, kind: ValueKind, choice: Choice, value: OptionValue) -> DeviceOption {
        DeviceOption {
            index: 1,
            name: name.to_owned(),
            title: name.to_owned(),
            help: String::new(),
            kind,
            unit: Unit::None,
            size: if kind == ValueKind::Text { 32 } else { 1 },
            choice,
            is_active: true,
            is_settable: true,
            is_advanced: false,
            value: Some(value),
        }
    }

    fn texts(name: &str, texts: &[&str]) -> DeviceOption {
        let owned: Vec<String> = texts.iter().map(|text| (*text).to_owned()).collect();
        let value = OptionValue::Text(owned[0].clone());
        option(name, ValueKind::Text, Choice::Texts(owned), value)
    }

    pub(crate) fn number(name: &str, choice: Choice, value: f64) -> DeviceOption {
        option(name, ValueKind::Whole, choice, OptionValue::Numbers(vec![value]))
    }

    #[test]
    fn film_infrared_and_the_nearest_resolutions_are_chosen_until_the_user_says_otherwise() {
        let state = DeviceState {
            options: vec![
                texts(SOURCE, &["Flatbed", "Transparency Unit"]),
                texts(MODE, &["Gray", "Color", "Color + Infrared"]),
                number(RESOLUTION, Choice::Numbers(vec![100.0, 400.0, 1200.0, 3200.0]), 100.0),
            ],
            whole_area: None,
        };
        let fitted = DeviceChoices::default().fitted(&state);
        assert_eq!(fitted.source.as_deref(), Some("Transparency Unit"));
        assert_eq!(fitted.mode.as_deref(), Some("Color + Infrared"));
        assert_eq!((fitted.overview_ppi, fitted.frames_ppi), (400.0, 3200.0));
        let modes = DeviceState {
            options: vec![texts(MODE, &["Gray", "Infrared", "Color", "48 bits color"])],
            whole_area: None,
        };
        assert_eq!(DeviceChoices::default().fitted(&modes).mode.as_deref(), Some("48 bits color"));
        let odd = number(RESOLUTION, Choice::Range { least: 600.0, most: 75.0, step: 0.0 }, 75.0);
        let odd = DeviceState { options: vec![odd], whole_area: None };
        assert!(DeviceChoices::default().fitted(&odd).frames_ppi.is_finite());
        let own = DeviceChoices {
            source: Some("Flatbed".to_owned()),
            mode: Some("gone".to_owned()),
            frames_ppi: 1300.0,
            ..DeviceChoices::default()
        };
        let fitted = own.fitted(&state);
        assert_eq!(fitted.source.as_deref(), Some("Flatbed"));
        assert_eq!(fitted.mode.as_deref(), Some("Color + Infrared"));
        assert_eq!(fitted.frames_ppi, 1200.0);
    }

    /// An overview of 300 ppi, 10 mm from the left end of the glass, with two frames of 36 x 24 mm.
    fn boxed() -> (Session, OverviewPlace) {
        let px = |mm: f64| mm * 300.0 / MM_PER_INCH;
        let path = PathBuf::from("/scans/overview.tif");
        let scan = ScanRef { path: path.clone(), width_px: 1200, height_px: 500, ..ScanRef::default() };
        let session = Edit::AddScans(vec![scan]).apply(&Session::default()).expect("adds");
        let at = |x_mm: f64| TiltedBox::from_edges(px(x_mm), px(5.0), px(x_mm + 36.0), px(29.0));
        let frame = |x_mm: f64| NewFrame { image_area: Some(at(x_mm)), ..NewFrame::in_box(at(x_mm)) };
        let film_area = Some(TiltedBox::from_edges(0.0, 0.0, px(100.0), px(34.0)));
        let strip = FoundStripEdit {
            film_area,
            format_id: Some("135".to_owned()),
            perforations: vec![],
            edge_code: None,
            notes: vec![],
            frames: vec![frame(4.0), frame(42.0)],
        };
        let edit = Edit::ReplaceStrips {
            scan: session.scans[0].id,
            film: FilmKind::ColourNegative,
            stock_id: "masked".to_owned(),
            strips: vec![strip],
            keep: vec![],
        };
        let area = AreaMm { left_mm: 10.0, top_mm: 0.0, width_mm: 101.6, height_mm: 42.3 };
        (
            edit.apply(&session).expect("applies"),
            OverviewPlace { path, area, ppi: 300.0, exposures: Vec::new() },
        )
    }

    fn is_near(area: AreaMm, edges: [f64; 4]) -> bool {
        [area.left_mm, area.top_mm, area.width_mm, area.height_mm]
            .iter()
            .zip(edges)
            .all(|(a, b)| (a - b).abs() < 1e-6)
    }

    #[test]
    fn each_frame_gets_its_area_on_the_glass_with_room_for_the_rebate() {
        let (session, overview) = boxed();
        let glass = AreaMm { left_mm: 0.0, top_mm: 0.0, width_mm: 216.0, height_mm: 297.0 };
        let frames = items(&session, &overview, ScanUnit::Frame, Some(glass));
        assert_eq!(frames.iter().map(|item| item.stem.as_str()).collect::<Vec<_>>(), ["frame-1", "frame-2"]);
        assert!(is_near(frames[0].area, [12.0, 3.0, 40.0, 28.0]), "{:?}", frames[0].area);
        assert!(is_near(frames[1].area, [50.0, 3.0, 40.0, 28.0]), "{:?}", frames[1].area);
        let strips = items(&session, &overview, ScanUnit::Strip, Some(glass));
        assert_eq!(strips.len(), 1);
        assert_eq!(strips[0].frames.len(), 2);
        // The glass ends at the upper edge of the film.
        assert!(is_near(strips[0].area, [9.0, 0.0, 102.0, 35.0]), "{:?}", strips[0].area);
        assert!(is_near(items(&session, &overview, ScanUnit::Whole, None)[0].area, [10.0, 0.0, 101.6, 42.3]));
        let left_out =
            Edit::SetMark { frames: vec![session.frames[0].id], mark: glassine_session::FrameMark::LeaveOut };
        let session = left_out.apply(&session).expect("marks");
        assert_eq!(items(&session, &overview, ScanUnit::Frame, None).len(), 1);

        let taking = &frames[0].frames;
        assert_eq!(items_left(frames.clone(), taking), frames[1..]);
        assert_eq!(items_left(strips.clone(), taking), strips);
        assert_eq!(items_left(frames.clone(), &[]), frames);

        let to_scan = overview.to_scan(frames[1].area, 2400.0);
        let corner = session.frames[1].image_area.expect("measured").corners()[0];
        let corner = to_scan.point(corner);
        let margin_px = MARGIN_MM * 2400.0 / MM_PER_INCH;
        assert!((corner.x - margin_px).abs() < 1e-6 && (corner.y - margin_px).abs() < 1e-6, "{corner:?}");
    }
}

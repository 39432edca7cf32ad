//! From the session's values of one frame to a pipeline ready to run.

mod base_shift;
mod edge;

use std::path::Path;
use std::sync::Arc;

use glassine_film::{
    FilmKind, Look, OutputSpace, Pipeline, Recipe, Rendering, Stock, default_stock, shipped_stocks,
};
use glassine_raster::{RegionSource as _, TiltedSampling};
use glassine_session::{BoxProblem, Frame, FrameId, ScanRef, Session, Strip, box_problem};

use crate::error::EngineError;
use crate::scans::{OpenScan, ScanStore, identity_table, table_refs};

pub(crate) use base_shift::BaseShift;
pub(crate) use edge::{light, sfr_of};

/// A frame with everything it depends on.
#[derive(Debug, Clone)]
pub(crate) struct FrameContext {
    pub(crate) frame: Arc<Frame>,
    pub(crate) strip: Arc<Strip>,
    pub(crate) scan_ref: Arc<ScanRef>,
    pub(crate) open: Arc<OpenScan>,
    pub(crate) stock: Arc<Stock>,
}

/// Whether a pipeline gets the file's own codes or codes made linear while reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum InputCodes {
    File,
    Linear,
}

/// The stock of a strip: from the session or the shipped ones by id, else the default of its film kind.
pub fn stock_of<'a>(session: &'a Session, strip: &Strip) -> &'a Stock {
    let fits = |stock: &&Stock| stock.id == strip.stock_id && stock.kind == strip.film;
    let own = session.stocks.iter().map(|stock| &**stock).find(fits);
    own.or_else(|| shipped_stocks().iter().find(fits)).unwrap_or_else(|| default_stock(strip.film))
}

impl FrameContext {
    pub(crate) fn new(
        session: &Session,
        frame: &Arc<Frame>,
        folder: Option<&Path>,
        scans: &ScanStore,
    ) -> Result<Self, EngineError> {
        let (strip, scan_ref) = session.context(frame).ok_or(EngineError::NoFrame(frame.id))?;
        Ok(Self {
            frame: Arc::clone(frame),
            strip: Arc::clone(strip),
            scan_ref: Arc::clone(scan_ref),
            open: scans.get(scan_ref, folder)?,
            stock: Arc::new(match &strip.solve {
                Some(solve) => stock_of(session, strip)
                    .with_toe_ratio(solve.toe_ratio)
                    .with_colour_strength(solve.colour_strength, solve.gamma_ratio),
                None => stock_of(session, strip).clone(),
            }),
        })
    }

    /// A frame of a session, by its id.
    pub(crate) fn of(
        session: &Session,
        id: FrameId,
        folder: Option<&Path>,
        scans: &ScanStore,
    ) -> Result<Self, EngineError> {
        let frame = session.frame(id).ok_or(EngineError::NoFrame(id))?;
        Self::new(session, frame, folder, scans)
    }

    /// The problem of the frame's box, if a picture can be made all the same; an error if none can.
    pub(crate) fn check_box(&self) -> Result<Option<BoxProblem>, EngineError> {
        let problem = box_problem(&self.frame.crop, self.open.width(), self.open.height());
        match problem.filter(|problem| problem.is_fatal()) {
            Some(fatal) => Err(EngineError::user_error(
                format!("frame {}: {fatal}", self.frame.number),
                fatal.what_to_do(),
            )),
            None => Ok(problem),
        }
    }

    /// How the base varies under a sampling of this frame that begins at `first_row`.
    pub(crate) fn shift<'a>(&'a self, sampling: &'a TiltedSampling, first_row: u32) -> Option<BaseShift<'a>> {
        let field = self.strip.base.as_ref()?.field.as_ref()?;
        Some(BaseShift { field, sampling, first_row, scan_px: (self.open.width(), self.open.height()) })
    }

    /// The pipeline of this frame, with another look than its own if given.
    pub(crate) fn pipeline(
        &self,
        look: Option<&Look>,
        space: OutputSpace,
        rendering: Rendering,
        input: InputCodes,
    ) -> Pipeline {
        let Self { frame, strip, open, .. } = self;
        let spare = identity_table();
        let linearisation = match input {
            InputCodes::File => table_refs(&open.tables.linearisation.tables, &spare),
            InputCodes::Linear => table_refs(&[], &spare),
        };
        let solve = frame.solve.as_ref();
        Pipeline::new(&Recipe {
            kind: strip.film,
            linearisation,
            base_d: strip.base.as_ref().map_or([0.0; 3], |base| base.density_d),
            stock: &self.stock,
            unmix_strength: strip.unmix_strength,
            gamma_ratio: strip.solve.as_ref().map_or([1.0; 3], |solve| solve.gamma_ratio),
            solve_offset: solve.map_or([0.0; 3], |solve| solve.log_offset),
            cast_suggestion_cc: solve.map_or([0.0; 2], |solve| solve.cast_suggestion_cc),
            look: look.unwrap_or(&frame.look),
            rendering,
            space,
            input_to_xyz: if strip.film == FilmKind::Slide {
                open.tables.linearisation.to_xyz_d50
            } else {
                None
            },
        })
    }
}

/// Output space of a settings key; unknown keys, as from a newer program, become sRGB.
pub(crate) fn space_of(key: &str) -> OutputSpace {
    OutputSpace::from_key(key).unwrap_or(OutputSpace::Srgb)
}

/// Rendering of a settings key; unknown keys become the default.
pub(crate) fn rendering_of(key: &str) -> Rendering {
    Rendering::ALL.into_iter().find(|rendering| rendering.key() == key).unwrap_or_default()
}

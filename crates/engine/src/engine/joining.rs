//! Joining overlapping scans, and writing what was joined.

use std::path::Path;

use glassine_film::FilmKind;
use glassine_raster::CancelToken;
use glassine_scanfile::Overwrite;
use glassine_session::ScanId;

use crate::build::context::{EditBuilder, Progress};
use crate::build::import::FindRequest;
use crate::engine::Engine;
use crate::error::EngineError;
use crate::session_files::MadeSession;
use crate::types::SessionAt;

impl Engine {
    /// The session with some overlapping scans joined to one, its frames found, measured and solved, and the id of the
    /// joined scan. The first of them keeps its pixels and its light; the others are matched to it. The parts and their
    /// strips leave the session.
    pub fn join_scans(
        &self,
        at: &SessionAt,
        scans: &[ScanId],
        (film, format_id): (Option<FilmKind>, Option<String>),
        cancel: &CancelToken,
        progress: Progress<'_>,
    ) -> Result<(MadeSession, ScanId), EngineError> {
        let mut builder = EditBuilder::new(at.session.clone());
        let find = FindRequest { film, format_id, ..FindRequest::default() };
        let analysis = self.analysis(at.folder.as_deref(), cancel, progress);
        let id = analysis.join_scans(&mut builder, scans, &find)?;
        let made =
            MadeSession { session: builder.session, notices: builder.notices, ..MadeSession::default() };
        Ok((made, id))
    }

    /// Write a scan as it is read, in linear codes with its infrared, as one TIFF; returns its length in bytes.
    pub fn write_scan(
        &self,
        at: &SessionAt,
        scan: ScanId,
        path: &Path,
        overwrite: Overwrite,
        cancel: &CancelToken,
    ) -> Result<u64, EngineError> {
        let scan = at.session.scan(scan).ok_or_else(EngineError::no_scan)?;
        self.quiet_analysis(at, cancel).write_scan(scan, path, overwrite)
    }
}

//! What is written about a picture into its file.

use glassine_film::FilmKind;
use glassine_scanfile::{FilmSourceKind, Metadata};
use glassine_session::{OutputKind, OutputSettings};

use super::film_density;
use crate::frame::FrameContext;
use crate::types::ExportRequest;

/// Everything that is known about a frame, without the record of its settings.
pub(super) fn metadata(request: &ExportRequest, output: &OutputSettings, context: &FrameContext) -> Metadata {
    let session = &request.at.session;
    let frame = &context.frame;
    let facts = session.facts_of(frame);
    let is_dated = !request.written_at.is_empty();
    let roll = session.roll_of(frame).map(|roll| roll.title.as_str()).filter(|title| !title.is_empty());
    let description = match output.kind {
        OutputKind::Density => film_density::describe(output.density).to_owned(),
        _ => facts.caption.clone(),
    };
    Metadata {
        title: frame.name.clone().unwrap_or_default(),
        description,
        creator: facts.creator.clone(),
        copyright: facts.rights.clone(),
        keywords: facts.keyword_list(),
        place: facts.place.clone(),
        roll: roll.unwrap_or(&session.title).to_owned(),
        film: facts.film.clone(),
        camera: facts.camera.clone(),
        lens: facts.lens.clone(),
        notes: facts.notes.clone(),
        software: concat!("Glassine ", env!("CARGO_PKG_VERSION")).to_owned(),
        original_date: facts.date_shot_parts(),
        original_date_text: facts.date_shot.trim().to_owned(),
        digitised: context.scan_ref.scanned_at.clone(),
        modified: is_dated.then(|| request.written_at.clone()),
        modified_utc_offset: is_dated.then(|| "+00:00".to_owned()),
        source: match context.strip.film {
            FilmKind::Slide => FilmSourceKind::Positive,
            FilmKind::ColourNegative | FilmKind::BlackAndWhite => FilmSourceKind::Negative,
        },
        settings: String::new(),
        settings_digest: String::new(),
    }
}

//! Finds in the picture what a scan file does not say: the curve of its codes, stray light over all of it, the kind of
//! film.

use std::sync::Arc;

use glassine_film::{
    CodeCurve, CodeSamples, EncodingFinding, FilmKind, KindFinding, Rendering, find_encoding,
    find_stray_light, measure_base,
};
use glassine_layout::{FilmTone, FindOptions, Found, Overview, RebateStrip, format_of, rebate_mask};
use glassine_raster::{PixelRect, RegionSource, ResolutionPpi, Samples16, TiltedBox};
use glassine_scanfile::InfraredSource;
use glassine_session::{
    Edit, EncodingChoice, FoundEncoding, OutputSettings, ScanId, ScanRef, StrayLightChoice,
};

use crate::build::context::{AnalysisContext, EditBuilder};
use crate::build::import::FindRequest;
use crate::error::{EngineError, Notice, Severity};
use crate::scans::{OpenScan, OverviewData, shown};

/// Windows at full resolution: rows and columns of them over the scan, and their sides. Source: ours; strips of rows
/// are read whole, so few rows of windows keep the reading short; 24 windows of 160 px hold 9600 blocks of noise.
const WINDOW_ROWS: u32 = 4;
const WINDOW_COLUMNS: u32 = 6;
const WINDOW_SIDE_PX: u32 = 160;

impl AnalysisContext<'_> {
    /// Find how to read a scan where its file and the user leave that open, and put it into the session.
    pub(crate) fn find_reading(
        &self,
        builder: &mut EditBuilder,
        scan_id: ScanId,
    ) -> Result<Arc<ScanRef>, EngineError> {
        let gone = || EngineError::user_error("the scan is not in this session", "open it again");
        let known = builder.session.scan(scan_id).cloned().ok_or_else(gone)?;
        let mut scan = ScanRef::clone(&known);
        scan.found_encoding = self.found_encoding(&scan)?;
        scan.found_stray_light = None;
        if scan.stray_light == StrayLightChoice::Auto {
            let open = self.scans.get(&scan, self.folder)?;
            let overview = self.read_overview(&open)?;
            let found = find_stray_light(&overview.samples, open.colour_channels());
            scan.found_stray_light = found.map(|found| found.light);
            if let Some(found) = found {
                let headline = format!(
                    "stray light of {:.1} % of open light was found over the whole scan and is subtracted",
                    100.0 * found.of_open
                );
                let what_to_do = "close the lid, or cover the glass beside the film, and scan again; to leave it on, set stray light to off";
                builder.notices.push(Notice::new(Severity::Warning, headline, what_to_do).about(&scan.path));
            }
        }
        if scan != *known {
            report_encoding(builder, &scan);
            builder.push(Edit::UpdateScan(scan))?;
        }
        builder.session.scan(scan_id).cloned().ok_or_else(gone)
    }

    /// Where film and pictures are on a scan.
    pub(crate) fn found_on(
        &self,
        open: &OpenScan,
        overview: &OverviewData,
        ppi: Option<ResolutionPpi>,
        request: &FindRequest,
        colours: Option<KindFinding>,
    ) -> Result<Found, EngineError> {
        let given = request.format_id.as_deref().and_then(format_of);
        let masked = colours.is_some_and(|found| found.is_sure && found.kind == FilmKind::ColourNegative);
        let options = FindOptions {
            tone: match request.film {
                Some(FilmKind::Slide) => FilmTone::Slide,
                Some(_) => FilmTone::Negative,
                // Film that a mask tints all over is no slide, whatever the shape of its dark parts.
                None if masked => FilmTone::Negative,
                None => FilmTone::Unknown,
            },
            format: given.as_ref(),
            ppi,
            guard_margin_px: None,
            single_frame_file: request.one_frame_per_file,
        };
        let view = Overview {
            samples: &overview.samples,
            colour_channels: open.colour_channels(),
            factor: overview.factor,
            scan_width_px: open.width(),
            scan_height_px: open.height(),
        };
        let full: &dyn RegionSource = open;
        let find = |options: &FindOptions<'_>| {
            glassine_layout::find(&view, Some(full), options, self.cancel, &|share| {
                (self.progress)(0.5 + 0.3 * share, "finding frames");
            })
            .map_err(EngineError::from)
        };
        let mut found = find(&options)?;
        if request.film.is_none() && is_doubted(&found, colours) {
            let as_slide = find(&FindOptions { tone: FilmTone::Slide, ..options })?;
            found = doubt_settled(found, as_slide);
        }
        Ok(found)
    }

    fn read_overview(&self, open: &OpenScan) -> Result<Arc<OverviewData>, EngineError> {
        open.overview(self.cancel, &|share| (self.progress)(0.5 * share, "reading the scan"))
    }

    /// The encoding that the codes of a file appear to have, if the file does not state one.
    fn found_encoding(&self, scan: &ScanRef) -> Result<Option<FoundEncoding>, EngineError> {
        let plain = ScanRef {
            encoding: EncodingChoice::Linear,
            found_encoding: None,
            found_stray_light: None,
            ..scan.clone()
        };
        let open = self.scans.get(&plain, self.folder)?;
        let info = open.info();
        if !info.encoding_is_unstated {
            return Ok(None);
        }
        let overview = self.read_overview(&open)?;
        let windows = self.windows(&open)?;
        let samples = CodeSamples {
            overview: &overview.samples,
            windows: &windows,
            colour_channels: open.colour_channels(),
            bits: info.bits_per_sample,
        };
        let assumed = if info.bits_per_sample <= 8 || !info.container.contains("TIFF") {
            CodeCurve::Srgb
        } else {
            CodeCurve::Linear
        };
        let EncodingFinding { curve, is_guess, why } = find_encoding(&samples, assumed);
        let covers_infrared = curve != CodeCurve::Linear
            && info.infrared == InfraredSource::ExtraSample
            && infrared_is_curved(&overview.samples, info.bits_per_sample);
        Ok(Some(FoundEncoding { encoding: choice_of(curve), covers_infrared, is_guess, why }))
    }

    /// Parts of a scan at full resolution, with the codes of the file.
    fn windows(&self, open: &OpenScan) -> Result<Vec<Samples16>, EngineError> {
        let (width, height) = (open.width(), open.height());
        let begin = |at: u32, count: u32, side: u32| {
            let room = u64::from(side.saturating_sub(WINDOW_SIDE_PX));
            (room * u64::from(2 * at + 1) / u64::from(2 * count)) as u32
        };
        let mut windows = Vec::new();
        for row in 0..WINDOW_ROWS {
            for column in 0..WINDOW_COLUMNS {
                self.cancel.check()?;
                let (x, y) = (begin(column, WINDOW_COLUMNS, width), begin(row, WINDOW_ROWS, height));
                let (right, below) = ((x + WINDOW_SIDE_PX).min(width), (y + WINDOW_SIDE_PX).min(height));
                windows.push(open.read_codes(PixelRect::new(x, y, right, below), self.cancel)?);
            }
        }
        Ok(windows)
    }
}

/// Whether the darkest infrared codes are too bright for a holder in linear codes, as they are under a curve.
///
/// Silver film, dust and holders stop infrared light. Under sRGB or a power of 2.2, the little that passes reads
/// several times brighter than 0.4 % of full scale, or than one and a half steps of 8 bits.
fn infrared_is_curved(overview: &Samples16, bits: u8) -> bool {
    let channels = usize::from(overview.channels()).max(1);
    let mut codes: Vec<u16> =
        overview.data().chunks_exact(channels).filter_map(|pixel| pixel.last()).copied().collect();
    let at = codes.len() / 200;
    let least = if bits > 8 { 0.004 } else { 1.5 / 255.0 };
    !codes.is_empty() && f64::from(*codes.select_nth_unstable(at).1) / 65_535.0 >= least
}

fn choice_of(curve: CodeCurve) -> EncodingChoice {
    match curve {
        CodeCurve::Linear => EncodingChoice::Linear,
        CodeCurve::Srgb => EncodingChoice::Srgb,
        CodeCurve::Gamma(power) => EncodingChoice::Gamma(power),
    }
}

/// Report the encoding that was found if it is not what every scanner writes, or if it is a guess.
fn report_encoding(builder: &mut EditBuilder, scan: &ScanRef) {
    let Some(found) = scan.found_encoding.as_ref().filter(|_| scan.encoding == EncodingChoice::Auto) else {
        return;
    };
    let name = match found.encoding {
        EncodingChoice::Linear | EncodingChoice::Auto => "linear".to_owned(),
        EncodingChoice::Srgb => "sRGB".to_owned(),
        EncodingChoice::Gamma(gamma) => format!("gamma {gamma}"),
    };
    // The file's own note is neither repeated nor contradicted.
    let is_told = |notice: &Notice| {
        notice.path.as_ref() == Some(&scan.path) && notice.headline.ends_with("are taken as sRGB")
    };
    let is_usual = match found.encoding {
        EncodingChoice::Linear => !found.is_guess,
        EncodingChoice::Srgb => builder.notices.iter().any(is_told),
        _ => false,
    };
    if is_usual {
        return;
    }
    builder.notices.retain(|notice| !is_told(notice));
    let severity = if found.is_guess { Severity::Warning } else { Severity::Info };
    let guess = if found.is_guess { "a guess: " } else { "" };
    let headline = format!("the codes of {} are read as {name}; {guess}{}", shown(&scan.path), found.why);
    let what_to_do =
        "if pictures look flat or dark, choose another encoding, with --encoding or in the window";
    builder.notices.push(Notice::new(severity, headline, what_to_do).about(&scan.path));
}

/// Density range (D) of a negative of an ordinary scene: a luminance range of 160 to 1 (common practice) at a slope of
/// 0.6, with some room for brighter lights.
const PICTURE_RANGE_D: f64 = 1.5;
/// Fewest steps in that range without a warning. Ours: the mean step is then 0.015 D.
const FEWEST_STEPS: usize = 100;

/// Warn how few tones are left if an 8-bit file holds a negative, because its picture fills a small part of the range.
pub(crate) fn warn_of_coarse_codes(builder: &mut EditBuilder, open: &OpenScan, base_d: [f64; 3]) {
    let info = open.info();
    if info.bits_per_sample > 8 || open.colour_channels() < 3 {
        return;
    }
    let light = &open.tables.linearisation;
    let steps_of = |channel: usize| {
        let (least, most) = (-base_d[channel] - PICTURE_RANGE_D, -base_d[channel]);
        let logs = (0..=u8::MAX).map(|code| f64::from(light.light(channel, u16::from(code) * 257)).log10());
        logs.filter(|log| (least..=most).contains(log)).count()
    };
    let steps = [0, 1, 2].map(|channel| (steps_of(channel), ["red", "green", "blue"][channel]));
    let Some((steps, name)) = steps.into_iter().min().filter(|(steps, _)| *steps < FEWEST_STEPS) else {
        return;
    };
    let headline = format!(
        "with 8 bits the {name} of this film has {steps} steps from clear film to {PICTURE_RANGE_D} D above it; smooth tones may show banding and dark greys a colour cast"
    );
    let notice = Notice::new(Severity::Warning, headline, "scan with 16 bits a channel");
    let is_new = builder.notices.iter().all(|told| told.headline != notice.headline);
    if is_new {
        builder.notices.push(notice.about(&info.path));
    }
}

/// A slide is a finished picture: a session that begins with slides shows and exports them without a print curve.
pub(crate) fn render_slides_straight(builder: &mut EditBuilder, added: &[ScanId]) -> Result<(), EngineError> {
    let session = &builder.session;
    let is_new = session.strips.iter().all(|strip| added.contains(&strip.scan));
    let all_slides = session.strips.iter().all(|strip| strip.film == FilmKind::Slide);
    let is_default = session.output.rendering == OutputSettings::default().rendering;
    if !is_new || !all_slides || session.strips.is_empty() || !is_default {
        return Ok(());
    }
    let rendering = Rendering::Straight.key().to_owned();
    builder.push(Edit::SetOutput(OutputSettings { rendering, ..session.output.clone() }))
}

/// Largest difference between the base densities of the channels of a film without a colour mask or dyes.
const GREY_BASE_D: f64 = 0.12;

/// A strip found with at most this confidence shows no rebate to go by.
const TOLD_BY_REBATE: f32 = 0.5;

/// Whether a lone negative was found without a visible rebate, while its colours are those of a slide. Several pieces
/// of film show where they end, so they are not doubted.
pub(crate) fn is_doubted(found: &glassine_layout::Found, colours: Option<KindFinding>) -> bool {
    let is_bare = |strip: &glassine_layout::FoundStrip| {
        strip.tone == FilmTone::Negative && strip.confidence <= TOLD_BY_REBATE
    };
    let looks_like_slide = colours.is_some_and(|colours| colours.kind == FilmKind::Slide);
    looks_like_slide && frame_count(found) <= 1 && found.strips.iter().all(is_bare)
}

/// The lone frame as found when it is taken for a slide; unless exactly one frame is found then, the box stays.
pub(crate) fn doubt_settled(
    found: glassine_layout::Found,
    as_slide: glassine_layout::Found,
) -> glassine_layout::Found {
    if frame_count(&as_slide) == 1 {
        return as_slide;
    }
    let strips = found.strips.into_iter();
    let strips = strips.map(|strip| glassine_layout::FoundStrip { tone: FilmTone::Slide, ..strip });
    glassine_layout::Found { strips: strips.collect(), notes: found.notes }
}

fn frame_count(found: &glassine_layout::Found) -> usize {
    found.strips.iter().map(|strip| strip.frames.len()).sum()
}

/// Film kind from how the strip was read, the colour of its rebate and the colours of the whole picture, and whether it
/// is a guess.
pub(crate) fn recognise(
    found: &glassine_layout::Found,
    overview: &Samples16,
    factor: u32,
    colours: Option<KindFinding>,
) -> (FilmKind, bool) {
    let by_colours = colours.map_or(FilmKind::default(), |colours| colours.kind);
    let Some(strip) = found.strips.first() else { return (by_colours, true) };
    let is_bare = strip.confidence <= TOLD_BY_REBATE;
    if overview.channels() < 3 {
        return (
            if strip.tone == FilmTone::Slide { FilmKind::Slide } else { FilmKind::BlackAndWhite },
            is_bare,
        );
    }
    if strip.tone == FilmTone::Unknown {
        return (by_colours, true);
    }
    if strip.tone == FilmTone::Slide {
        return (FilmKind::Slide, is_bare);
    }
    let images: Vec<TiltedBox> = strip.frames.iter().map(|frame| frame.image_area).collect();
    let rebate =
        RebateStrip { film_area: &strip.film_area, image_areas: &images, perforations: &strip.perforations };
    let mask = rebate_mask(overview.width(), overview.height(), factor, rebate, 3.0 * f64::from(factor));
    match measure_base(overview, &mask, FilmKind::ColourNegative) {
        Ok(base) => {
            let [r, g, b] = base.density_d;
            let spread = r.max(g).max(b) - r.min(g).min(b);
            let kind = if spread < GREY_BASE_D { FilmKind::BlackAndWhite } else { FilmKind::ColourNegative };
            (kind, false)
        }
        Err(_no_rebate) => (if by_colours.is_negative() { by_colours } else { FilmKind::default() }, true),
    }
}

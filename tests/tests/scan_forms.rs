//! One film in the various forms of scans: other curves, 8 bits, stray light, cut out of its film.
//!
//! The program gets no hint about the form and must find the same frames.

use std::path::{Path, PathBuf};

use glassine_engine::{Engine, MadeSession, NewSessionRequest};
use glassine_film::FilmKind;
use glassine_raster::{CancelToken, ResolutionPpi, Samples16};
use glassine_scanfile::{
    Compression, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter, write_rgbi,
};
use glassine_session::{EncodingChoice, StrayLightChoice};
use glassine_tests::{fit, say, strip_on_disk};

const PPI: f64 = 240.0;

fn changed(samples: &Samples16, change: impl Fn(usize, f64) -> f64) -> Samples16 {
    let mut out = samples.clone();
    for px in out.data_mut().chunks_exact_mut(4) {
        for (c, code) in px.iter_mut().enumerate() {
            *code = (65_535.0 * change(c, f64::from(*code) / 65_535.0)).round().clamp(0.0, 65_535.0) as u16;
        }
    }
    out
}

fn srgb(light: f64) -> f64 {
    if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
}

/// Writes the colours of a scan with 8 bits.
fn write8(path: &Path, samples: &Samples16) {
    let spec = PictureSpec {
        width_px: samples.width(),
        height_px: samples.height(),
        channels: 3,
        bits: 8,
        ppi: ResolutionPpi::new(PPI),
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Tiff { compression: Compression::None },
        overwrite: Overwrite::Never,
    };
    let codes: Vec<u8> = samples
        .data()
        .chunks_exact(4)
        .flat_map(|px| [0, 1, 2].map(|c| (f64::from(px[c]) / 257.0).round() as u8))
        .collect();
    let mut writer = PictureWriter::begin(path, &spec).expect("begins");
    writer.write_rows_u8(&codes).expect("writes");
    writer.finish().expect("finishes");
}

fn made(scan: PathBuf) -> MadeSession {
    let request = NewSessionRequest { scans: vec![scan], ..NewSessionRequest::default() };
    Engine::new().new_session(&request, &CancelToken::new(), &|_, _| ()).expect("a session is made")
}

#[test]
fn a_film_is_found_alike_whatever_the_codes_of_its_scan_are() {
    let disk = strip_on_disk("harbour", PPI);
    let truth: Vec<_> = disk.strip.truth.frames.iter().map(|frame| frame.area).collect();
    let plain = made(disk.scan.clone()).session;
    let base_d = plain.strips[0].base.as_ref().expect("a negative").density_d;
    let power = |power: f64| move |_: usize, light: f64| light.powf(1.0 / power);
    let open = [0.945, 0.94, 0.93, 0.0];
    let samples = &disk.strip.samples;
    let forms: Vec<(&str, Samples16, bool, EncodingChoice, f64)> = vec![
        ("gamma 2.2", changed(samples, power(2.2)), false, EncodingChoice::Gamma(2.2), 0.003),
        ("gamma 1.8", changed(samples, power(1.8)), false, EncodingChoice::Gamma(1.8), 0.003),
        ("sRGB", changed(samples, |_, light| srgb(light)), false, EncodingChoice::Srgb, 0.003),
        ("sRGB, 8 bit", changed(samples, |_, light| srgb(light)), true, EncodingChoice::Srgb, 0.02),
        ("stray 1 %", changed(samples, |c, t| t + 0.01 * open[c]), false, EncodingChoice::Linear, 0.006),
        ("stray 2 %", changed(samples, |c, t| t + 0.02 * open[c]), false, EncodingChoice::Linear, 0.006),
    ];
    for (name, samples, is_8_bit, encoding, most_off_d) in forms {
        let path = disk.folder.path().join(format!("{name}.tif"));
        if is_8_bit {
            write8(&path, &samples);
        } else {
            write_rgbi(&path, &samples, ResolutionPpi::new(PPI), name, Overwrite::Never).expect("writes");
        }
        let session = made(path).session;
        let scan = &session.scans[0];
        assert_eq!(scan.encoding, EncodingChoice::Auto, "{name}");
        assert_eq!(scan.encoding_in_use(), encoding, "{name}: {:?}", scan.found_encoding);
        let strip = &session.strips[0];
        assert_eq!(
            (strip.film, strip.format_id.as_deref()),
            (FilmKind::ColourNegative, Some("6x4.5")),
            "{name}"
        );
        assert_eq!(session.frames.len(), truth.len(), "{name}");
        for (frame, truth) in session.frames.iter().zip(&truth) {
            let (covered, outside_px) = fit(&frame.crop, truth);
            assert!(covered > 0.95 && outside_px < 1.0, "{name}: {covered} {outside_px}");
        }
        let found_d = strip.base.as_ref().expect("a negative").density_d;
        let off_d = [0, 1, 2].map(|c| (found_d[c] - base_d[c]).abs()).into_iter().fold(0.0, f64::max);
        say(&format!("{name}: film base off by {off_d:.4} D"));
        assert!(off_d < most_off_d, "{name}: {found_d:?} {base_d:?}");
        let is_lit = name.starts_with("stray");
        assert_eq!(scan.stray_light_in_use().is_some(), is_lit, "{name}: {:?}", scan.found_stray_light);
        assert_eq!(scan.stray_light, StrayLightChoice::Auto);
    }
    assert!(plain.scans[0].found_stray_light.is_none());
    assert_eq!(plain.scans[0].encoding_in_use(), EncodingChoice::Linear);
    assert!(!plain.scans[0].found_encoding.as_ref().expect("the file says nothing").is_guess);
    assert!(!plain.strips[0].film_is_guessed());
}

#[test]
fn the_kind_of_film_of_a_picture_without_rebate_is_told_by_its_colours_and_called_a_guess() {
    let disk = strip_on_disk("harbour", PPI);
    let mut guessed = 0;
    for (k, frame) in disk.strip.truth.frames.iter().enumerate() {
        let b = frame.area.inset(4.0);
        let (x0, y0) =
            ((b.center.x - b.width_px / 2.0) as u32 + 2, (b.center.y - b.height_px / 2.0) as u32 + 2);
        let (width, height) = (b.width_px as u32 - 4, b.height_px as u32 - 4);
        let data = (y0..y0 + height)
            .flat_map(|y| disk.strip.samples.row(y)[x0 as usize * 4..(x0 + width) as usize * 4].to_vec())
            .collect();
        let part = Samples16::from_vec(width, height, 4, data).expect("sizes fit");
        let path = disk.folder.path().join(format!("part {k}.tif"));
        write_rgbi(&path, &part, ResolutionPpi::new(PPI), "part", Overwrite::Never).expect("writes");
        let session = made(path).session;
        assert_eq!(session.strips[0].film, FilmKind::ColourNegative, "{k}");
        guessed += usize::from(session.strips[0].film_is_guessed());
    }
    // The even dark side of one picture looks like a rebate.
    assert!(guessed >= 3, "{guessed}");
}

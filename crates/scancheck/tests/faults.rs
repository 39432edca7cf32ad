//! Faults planted into drawn strips are found, and sound strips raise no alarm.

use glassine_film::CodeCurve;
use glassine_layout::{FindOptions, Overview, find};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _, Samples16, box_reduce};
use glassine_scancheck::{Band, Report, ScanUnderCheck, What, band_rects, check};
use glassine_testdata::scan_faults::Fault;
use glassine_testdata::strips::{Bed, Film, ORANGE, Scene, row};

fn bed(seed: u32, slide: bool) -> Bed {
    let scenes = [Scene::Photo(seed), Scene::Photo(seed + 1), Scene::ClearTop(seed)];
    Bed {
        width_mm: 138.0,
        height_mm: 52.0,
        ppi: 400.0,
        openings: vec![[6.0, 6.0, 132.0, 46.0]],
        films: vec![Film {
            x_mm: 11.0,
            y_mm: 25.5,
            length_mm: 116.0,
            width_mm: 35.0,
            angle_deg: 0.6,
            perforated: true,
            slide,
            base: if slide { [0.0016, 0.0014, 0.0018] } else { ORANGE },
            shots: row(1.5, 38.0, (36.0, 24.0), &scenes),
            leak_d: 0.0,
        }],
        infrared: true,
        turned: false,
        seed,
    }
}

/// The report on a scan whose overview is reduced by a factor.
fn report(scan: &Samples16, ppi: f64, factor: u32) -> Report {
    let small = box_reduce(scan, factor);
    let overview = Overview {
        samples: &small,
        colour_channels: 3,
        factor,
        scan_width_px: scan.width(),
        scan_height_px: scan.height(),
    };
    let options = FindOptions { ppi: Some(ppi), ..FindOptions::default() };
    let found = find(&overview, Some(scan), &options, &CancelToken::new(), &|_| ()).expect("readable");
    let bands: Vec<Band> = band_rects(scan.width(), scan.height(), &found)
        .into_iter()
        .map(|rect| Band { rect, codes: scan.read(rect, &CancelToken::new()).expect("inside") })
        .collect();
    let line: Vec<f32> = (0..=u16::MAX).map(|code| f32::from(code) / 65_535.0).collect();
    let under_check = ScanUnderCheck {
        overview: &small,
        factor,
        size_px: (scan.width(), scan.height()),
        colour_channels: 3,
        bits: 16,
        curve: Some(CodeCurve::Linear),
        bands: &bands,
        light: &[&line, &line, &line],
        found: &found,
        ppi: Some(ppi),
    };
    check(&under_check, &CancelToken::new()).expect("not cancelled")
}

fn pictures(bed: &Bed, scan: &Samples16) -> Vec<PixelRect> {
    let areas = bed.truth().into_iter().flatten();
    areas.map(|area| area.inset(12.0).pixel_bounds(scan.width(), scan.height())).collect()
}

#[test]
fn sound_strips_raise_no_alarm() {
    for (seed, slide, factor) in [(1, false, 1), (2, false, 2), (3, true, 1)] {
        let bed = bed(seed, slide);
        let report = report(&bed.draw(), bed.ppi, factor);
        assert!(report.findings.is_empty(), "{seed} {:#?}", report.findings);
        assert!(report.measured.len() > 8, "{seed}: few figures {:#?}", report.measured);
    }
}

#[test]
fn planted_faults_are_found_with_their_size() {
    // A fault, what must be named, and the least and largest figure.
    let cases = [
        (Fault::ClippedHigh(0.05), What::ClippedHigh, 1.0, 60.0),
        (Fault::ClippedLow(0.05), What::ClippedLow, 1.0, 10.0),
        (Fault::Noise(0.5), What::Noise, 8.0, 60.0),
        (Fault::StrayLight(0.03), What::StrayLight, 2.8, 3.3),
        (Fault::ChannelShift(2.0), What::ChannelShift, 1.8, 2.2),
        (Fault::InfraredShift(4.0), What::InfraredShift, 3.7, 4.3),
        (Fault::Resampled(1.25), What::Resampled, 20.0, 1e6),
        (Fault::UnevenLight(0.18), What::UnevenLight, 8.0, 20.0),
        (Fault::Column(0.05), What::Streaks, 3.0, 7.0),
        (Fault::LostRow { repeated: true }, What::MissingLines, 1.0, 1.0),
        (Fault::LostRow { repeated: false }, What::MissingLines, 1.0, 1.0),
        (Fault::Blocks(85), What::Blocks, 25.0, 1e6),
        (Fault::EightBits { curved: true }, What::ToneSteps, 200.0, 1e6),
        (Fault::Sharpened(1.0), What::Sharpened, 2.5, 10.0),
        (Fault::NotFlat(2.5), What::NotFlat, 1.6, 4.0),
        (Fault::NewtonRings(0.03), What::NewtonRings, 4.0, 1e6),
    ];
    for (seed, (fault, what, least, most)) in (10..).zip(cases) {
        let bed = bed(seed, false);
        let scan = bed.draw();
        let (scan, ppi) = fault.plant(&scan, bed.ppi, &pictures(&bed, &scan), seed.into());
        let report = report(&scan, ppi, 1);
        let finding = report.findings.iter().find(|finding| finding.measure.what == what);
        let measured = report.measured.iter().find(|measure| measure.what == what);
        let value = finding.map(|finding| finding.measure.value);
        assert!(value.is_some_and(|value| (least..=most).contains(&value)), "{fault:?}: {measured:?}");
    }
}

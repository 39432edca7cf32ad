//! Exported files: their codes against the written formulas, computed in `f64` without tables, short series or cut
//! kernels; and what happens to a file that is not what was meant.
#![allow(clippy::print_stdout, reason = "the measured figures are shown")]

use std::io::{Seek as _, SeekFrom, Write as _};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::common::write_codes;
use glassine_engine::{Engine, ExportRequest, SessionAt};
use glassine_film::{FilmKind, LayerCurve, Param, Stock};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _, TiltedBox};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_session::{
    BaseSource, Edit, EncodingChoice, FilmBase, FoundStripEdit, FrameSolve, NewFrame, ScanRef, Session,
    TiffCompression,
};
use glassine_testdata::random::Lcg;

const WIDTH: usize = 331;
const HEIGHT: usize = 457;
const BASE_D: [f64; 3] = [0.21, 0.44, 0.66];
const GAMMAS: [f64; 3] = [0.62, 0.60, 0.66];
/// Log10 exposure of the foot of a plain gamma: where its straight line meets the base.
const FOOT_LOG: f64 = -1.9;
const OFFSET_LOG: [f64; 3] = [0.11, 0.08, 0.14];
const UNMIX: [[f64; 3]; 3] = [[1.06, -0.05, -0.01], [-0.04, 1.08, -0.04], [-0.01, -0.07, 1.08]];
const WORKING: [[f64; 3]; 3] = [[1.12, -0.09, -0.03], [-0.05, 1.11, -0.06], [-0.02, -0.10, 1.12]];
const AMOUNT: f64 = 1.0;
const RADIUS_PX: f64 = 2.0;
const OVERSHOOT: f64 = 0.05;

/// Edges, slow shading and grain of 0.03 D, one seed.
fn scan_codes() -> Vec<u16> {
    let mut random = Lcg::new(0x9e37_79b9);
    let mut codes = Vec::with_capacity(WIDTH * HEIGHT * 3);
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let edge = if (x / 60 + y / 45) % 2 == 0 { 0.0 } else { 0.2 };
            let shade = 0.5 + 0.12 * ((x as f64 / 90.0).sin() + (y as f64 / 70.0).cos()) / 2.0 + edge;
            for base in BASE_D {
                codes.push((65_535.0 * 10.0_f64.powf(-(shade + 0.03 * random.normal() + base))).round() as u16);
            }
        }
    }
    codes
}

fn session_of(path: &Path) -> Session {
    let scan = ScanRef {
        path: path.to_owned(),
        width_px: WIDTH as u32,
        height_px: HEIGHT as u32,
        ppi: Some(3200.0),
        planes: ["red", "green", "blue"].map(str::to_owned).to_vec(),
        encoding: EncodingChoice::Linear,
        ..ScanRef::default()
    };
    let stock = Stock {
        id: "plain".into(),
        name: "plain".into(),
        kind: FilmKind::ColourNegative,
        curves: GAMMAS.map(LayerCurve::Gamma),
        unmix: UNMIX,
        working_matrix: WORKING,
        typical_base_d: BASE_D,
        notes: String::new(),
        measured_on: String::new(),
    };
    let frame = NewFrame::in_box(TiltedBox::from_edges(0.0, 0.0, WIDTH as f64, HEIGHT as f64));
    let strip = FoundStripEdit { frames: vec![frame], ..Default::default() };
    let mut session = Edit::AddScans(vec![scan]).apply(&Session::default()).expect("applies");
    let strips = Edit::ReplaceStrips {
        scan: session.scans[0].id,
        film: stock.kind,
        stock_id: stock.id.clone(),
        strips: vec![strip],
        keep: vec![],
    };
    session = strips.apply(&session).expect("applies");
    session.stocks.push(Arc::new(stock));
    Arc::make_mut(&mut session.strips[0]).base = Some(FilmBase {
        density_d: BASE_D,
        pixels: 0,
        spread_d: [0.0; 3],
        recommended_tolerance_d: 0.05,
        confidence: 1.0,
        source: BaseSource::Typed,
        field: None,
    });
    Arc::make_mut(&mut session.frames[0]).solve = Some(FrameSolve {
        log_offset: OFFSET_LOG,
        exposure_stops: 0.0,
        balance_cc: [0.0; 2],
        cast_suggestion_cc: [0.0; 2],
        confidence: 1.0,
        notes: Vec::new(),
    });
    let looks = [
        (Param::SharpenAmount, AMOUNT),
        (Param::SharpenRadiusPx, RADIUS_PX),
        (Param::OvershootLimit, OVERSHOOT),
        (Param::RepairStrength, 0.0),
    ];
    for (param, value) in looks {
        let frames = vec![session.frames[0].id];
        session = Edit::SetParam { frames, param, value }.apply(&session).expect("applies");
    }
    session
}

fn times(m: &[[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
    m.map(|row| row.iter().zip(v).map(|(cell, value)| cell * value).sum())
}

/// Encoded colour of a pixel: density, unmixing, exposure, light above black, working colours, IEC 61966-2-1.
fn encoded(codes: &[u16]) -> [f64; 3] {
    let density = [0, 1, 2].map(|c| -(f64::from(codes[c]) / 65_535.0).log10() - BASE_D[c]);
    let unmixed = times(&UNMIX, density);
    let black = 10.0_f64.powf(FOOT_LOG + OFFSET_LOG[1]);
    let light = [0, 1, 2].map(|c| {
        let exposure = unmixed[c] / GAMMAS[c] + FOOT_LOG + OFFSET_LOG[c];
        (10.0_f64.powf(exposure) - black) / (1.0 - black)
    });
    times(&WORKING, light).map(|linear| {
        assert!(linear > 0.0 && linear < 1.0, "the picture stays inside the colours of the space: {linear}");
        if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 }
    })
}

/// Unsharp mask on luma with limited overshoot, by the formulas: the Gaussian reaches eight sigma.
fn sharpened(planes: &mut [[f64; 3]]) {
    let luma: Vec<f64> = planes.iter().map(|p| 0.2126 * p[0] + 0.7152 * p[1] + 0.0722 * p[2]).collect();
    let at = |x: i64, y: i64| {
        let (x, y) = (x.clamp(0, WIDTH as i64 - 1), y.clamp(0, HEIGHT as i64 - 1));
        luma[y as usize * WIDTH + x as usize]
    };
    let reach = (8.0 * RADIUS_PX) as i64;
    let weights: Vec<f64> = (-reach..=reach).map(|i| (-0.5 * (i as f64 / RADIUS_PX).powi(2)).exp()).collect();
    let whole: f64 = weights.iter().sum();
    let mut down = vec![0.0; WIDTH * HEIGHT];
    for y in 0..HEIGHT as i64 {
        for x in 0..WIDTH as i64 {
            let sum: f64 = (-reach..=reach).zip(&weights).map(|(i, w)| w * at(x, y + i)).sum();
            down[y as usize * WIDTH + x as usize] = sum / whole;
        }
    }
    let window = (1.5 * RADIUS_PX).ceil() as i64;
    for y in 0..HEIGHT as i64 {
        for x in 0..WIDTH as i64 {
            let row = &down[y as usize * WIDTH..][..WIDTH];
            let column = |i: i64| row[(x + i).clamp(0, WIDTH as i64 - 1) as usize];
            let blurred: f64 =
                (-reach..=reach).zip(&weights).map(|(i, w)| w * column(i)).sum::<f64>() / whole;
            let (mut low, mut high) = (f64::MAX, f64::MIN);
            for j in -window..=window {
                for i in -window..=window {
                    low = low.min(at(x + i, y + j));
                    high = high.max(at(x + i, y + j));
                }
            }
            let slack = OVERSHOOT * (high - low);
            let before = at(x, y);
            let after = (before + AMOUNT * (before - blurred)).clamp(low - slack, high + slack);
            planes[y as usize * WIDTH + x as usize].iter_mut().for_each(|v| *v += after - before);
        }
    }
}

fn request(session: &Session, folder: &Path, compression: TiffCompression) -> ExportRequest {
    let mut output = session.output.clone();
    "straight".clone_into(&mut output.rendering);
    output.compression = compression;
    ExportRequest {
        output,
        replace: true,
        ..ExportRequest::new(SessionAt::new(session.clone(), None), folder.join("out"))
    }
}

#[test]
fn exported_codes_are_those_of_the_formulas_in_double_precision() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("scan.tif");
    let codes = scan_codes();
    write_codes(&path, WIDTH as u32, HEIGHT as u32, &codes);
    let session = session_of(&path);
    let mut wanted: Vec<[f64; 3]> = codes.chunks_exact(3).map(encoded).collect();
    sharpened(&mut wanted);
    for compression in [TiffCompression::None, TiffCompression::Deflate] {
        let request = request(&session, folder.path(), compression);
        let report = Engine::new().export(&request, &CancelToken::new(), &|_, _| ()).expect("exports");
        assert!(report.failed.is_empty(), "{:?}", report.failed);
        let scan = Scan::open(&report.written[0].path, &OpenOptions::default()).expect("opens");
        assert_eq!((scan.width() as usize, scan.height() as usize), (WIDTH, HEIGHT));
        let rect = PixelRect::of_size(scan.width(), scan.height());
        let got = scan.read(rect, &CancelToken::new()).expect("reads");
        let (mut sum, mut worst) = (0.0, 0.0_f64);
        for (code, value) in got.data().iter().zip(wanted.iter().flatten()) {
            let error = (f64::from(*code) - (value * 65_535.0).clamp(0.0, 65_535.0)).abs();
            sum += error;
            worst = worst.max(error);
        }
        let mean = sum / got.data().len() as f64;
        println!("{compression:?}: mean error {mean:.3}, largest {worst:.2} codes of 65 535");
        // Rounding to whole codes alone gives 0.25 on average and 0.5 at most.
        assert!(mean <= 0.5 && worst <= 8.0, "mean {mean}, largest {worst}");
    }
}

#[test]
fn a_frame_that_is_damaged_while_it_is_written_is_named_and_replaces_nothing() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("scan.tif");
    write_codes(&path, WIDTH as u32, HEIGHT as u32, &scan_codes());
    let session = session_of(&path);
    let engine = Engine::new();
    for compression in [TiffCompression::None, TiffCompression::Deflate] {
        let request = request(&session, folder.path(), compression);
        let first = engine.export(&request, &CancelToken::new(), &|_, _| ()).expect("exports");
        let before = std::fs::read(&first.written[0].path).expect("reads");
        // Once all rows are in the file, one of its bytes changes while the program works on it.
        let is_damaged = AtomicBool::new(false);
        let damage = |share: f32, _: &str| {
            if share > 0.999 && !is_damaged.swap(true, Ordering::SeqCst) {
                let mut names = std::fs::read_dir(&request.folder)
                    .expect("lists")
                    .map(|entry| entry.expect("entry").path());
                let part = names
                    .find(|name| name.extension().is_some_and(|e| e == "part"))
                    .expect("the unnamed file");
                let mut file = std::fs::OpenOptions::new().write(true).open(part).expect("opens");
                file.seek(SeekFrom::Start(50_001)).expect("seeks");
                file.write_all(&[0xa5, 0x5a]).expect("writes");
            }
        };
        let report = engine.export(&request, &CancelToken::new(), &damage).expect("runs");
        assert!(is_damaged.load(Ordering::SeqCst));
        assert_eq!((report.written.len(), report.failed.len()), (0, 1));
        let notice = &report.failed[0].notice;
        assert!(notice.headline.contains("read back"), "{notice}");
        assert_eq!(notice.path.as_ref(), Some(&first.written[0].path));
        assert_eq!(std::fs::read(&first.written[0].path).expect("reads"), before);
        assert_eq!(std::fs::read_dir(&request.folder).expect("lists").count(), 1);
    }
}

#[test]
fn an_unknown_colour_space_or_rendering_is_refused_before_anything_is_written() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("scan.tif");
    write_codes(&path, WIDTH as u32, HEIGHT as u32, &scan_codes());
    let session = session_of(&path);
    for key in ["space", "rendering"] {
        let mut request = request(&session, &folder.path().join("out"), TiffCompression::None);
        let choice = if key == "space" { &mut request.output.space } else { &mut request.output.rendering };
        "zzz".clone_into(choice);
        let error = Engine::new().export(&request, &CancelToken::new(), &|_, _| ()).expect_err("is refused");
        assert!(error.notice().headline.contains("zzz"), "{error}");
        assert!(!folder.path().join("out").exists());
    }
}

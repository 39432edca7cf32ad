//! A small strip of three frames, and a window over it that needs neither display nor threads.

pub(crate) mod hands;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use egui_kittest::{Harness, HarnessBuilder};
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::services::file_dialogs::{
    FilePicker, PickAnswer, PickOutcome, PickRequest, PreparedPicker, Wake,
};
use glassine_app::services::state_file::KeptState;
use glassine_engine::session_files::Run;
use glassine_engine::{Engine, JobHost};
use glassine_film::colour::working_from_lab;
use glassine_film::{CHART_LAB_D50, FilmKind, default_stock};
use glassine_raster::{Orientation, ResolutionPpi, TiltedBox};
use glassine_scanfile::{Compression, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter};
use glassine_session::{
    BaseSource, Edit, EncodingChoice, FilmBase, FoundStripEdit, FourthSampleChoice, FrameId, NewFrame,
    OutputSettings, ScanId, ScanRef, Session, file,
};

/// Scan size: three frames of 180 by 120 pixels with clear film around them.
pub(crate) const SCAN: (u32, u32) = (640, 176);
/// Density of the clear film.
pub(crate) const BASE_D: [f64; 3] = [0.30, 0.60, 0.85];
/// Edges of the three images.
pub(crate) const IMAGES: [(f64, f64, f64, f64); 3] =
    [(28.0, 28.0, 208.0, 148.0), (230.0, 28.0, 410.0, 148.0), (432.0, 28.0, 612.0, 148.0)];
/// Distance a guarded box keeps from the image edges.
pub(crate) const MARGIN_PX: f64 = 2.0;

/// Log10 exposure of a scene at a place of the unit square: a sky over a ground, and a grey scale.
fn scene_log(x: f64, y: f64, frame: usize) -> [f64; 3] {
    let grey = -1.9 + 1.5 * x;
    if y < 0.4 {
        [grey, grey + 0.05, grey + 0.12]
    } else if y < 0.75 {
        [grey - 0.1 + 0.1 * frame as f64, grey, grey - 0.2]
    } else {
        let step = (x * 6.0).floor() / 6.0;
        [-1.9 + 1.6 * step; 3]
    }
}

/// Linear code of a density.
pub(crate) fn code(density: f64) -> u16 {
    (65_535.0 * 10f64.powf(-density)).round() as u16
}

/// Samples of the scanned strip.
pub(crate) fn scan_pixels() -> Vec<u16> {
    let mut samples = Vec::with_capacity((SCAN.0 * SCAN.1 * 3) as usize);
    for y in 0..SCAN.1 {
        for x in 0..SCAN.0 {
            let at = (f64::from(x) + 0.5, f64::from(y) + 0.5);
            let image = IMAGES
                .iter()
                .enumerate()
                .find(|(_, (x0, y0, x1, y1))| at.0 > *x0 && at.0 < *x1 && at.1 > *y0 && at.1 < *y1);
            let logs = image.map(|(idx, (x0, y0, x1, y1))| {
                scene_log((at.0 - x0) / (x1 - x0), (at.1 - y0) / (y1 - y0), idx)
            });
            for channel in 0..3 {
                // A straight negative of gamma 0.6 that leaves the clear film at a log exposure of -2.4.
                let above = logs.map_or(0.0, |logs| (0.6 * (logs[channel] + 2.4)).max(0.0));
                samples.push(code(BASE_D[channel] + above));
            }
        }
    }
    samples
}

/// The strip with a chart on its first frame, at the place where the pane initially puts the corners.
///
/// The film has straight curves of unlike slopes.
pub(crate) fn chart_pixels(upside_down: bool) -> Vec<u16> {
    let ((x0, y0, x1, y1), inset) = (IMAGES[0], 12.0);
    let center = ((x0 + x1) / 2.0, (y0 + y1) / 2.0);
    let height = (y1 - y0 - 2.0 * inset) * 0.76;
    let width = height * 1.5;
    let mut samples = Vec::with_capacity((SCAN.0 * SCAN.1 * 3) as usize);
    for y in 0..SCAN.1 {
        for x in 0..SCAN.0 {
            let at = (f64::from(x) + 0.5, f64::from(y) + 0.5);
            let is_image =
                IMAGES.iter().any(|(x0, y0, x1, y1)| at.0 > *x0 && at.0 < *x1 && at.1 > *y0 && at.1 < *y1);
            let (mut u, mut v) = ((at.0 - center.0) / width + 0.5, (at.1 - center.1) / height + 0.5);
            if upside_down {
                (u, v) = (1.0 - u, 1.0 - v);
            }
            let light = if (0.0..1.0).contains(&u) && (0.0..1.0).contains(&v) {
                working_from_lab(CHART_LAB_D50[(v * 4.0) as usize * 6 + (u * 6.0) as usize])
            } else {
                [0.12; 3]
            };
            for (channel, slope) in [0.56, 0.6, 0.66].into_iter().enumerate() {
                let log = light[channel].max(1e-3).log10();
                let above = if is_image { (slope * (log + 2.6)).max(0.0) } else { 0.0 };
                samples.push(code(BASE_D[channel] + above));
            }
        }
    }
    samples
}

/// Writes the scan into a folder.
pub(crate) fn write_scan(folder: &Path) -> PathBuf {
    write_pixels(folder, &scan_pixels())
}

/// Writes a scan of the usual size with these samples.
pub(crate) fn write_pixels(folder: &Path, samples: &[u16]) -> PathBuf {
    let path = folder.join("strip.tif");
    write_planes(&path, 3, samples);
    path
}

/// Writes a grey file of the usual size, such as an infrared plane.
pub(crate) fn write_grey(path: &Path, code: u16) {
    write_planes(path, 1, &vec![code; (SCAN.0 * SCAN.1) as usize]);
}

fn write_planes(path: &Path, channels: u8, samples: &[u16]) {
    let spec = PictureSpec {
        width_px: SCAN.0,
        height_px: SCAN.1,
        channels,
        bits: 16,
        ppi: ResolutionPpi::new(128.0),
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Tiff { compression: Compression::None },
        overwrite: Overwrite::Never,
    };
    let mut writer = PictureWriter::begin(path, &spec).expect("the folder is writable");
    writer.write_rows_u16(samples).expect("the rows have the right length");
    writer.finish().expect("the picture is complete");
}

/// A session over the scan, as it is after finding and measuring.
pub(crate) fn session(scan: &Path, export_folder: Option<PathBuf>) -> Session {
    let scan = ScanRef {
        id: ScanId(0),
        path: scan.to_path_buf(),
        infrared_path: None,
        width_px: SCAN.0,
        height_px: SCAN.1,
        ppi: Some(128.0),
        planes: ["red", "green", "blue"].map(String::from).to_vec(),
        fingerprint: None,
        encoding: EncodingChoice::Linear,
        fourth_sample: FourthSampleChoice::Auto,
        ..ScanRef::default()
    };
    let apply = |session: &Session, edit: Edit| edit.apply(session).expect("the edit fits the session");
    let session =
        apply(&Session { title: "quay".to_owned(), ..Session::default() }, Edit::AddScans(vec![scan]));
    let scan = session.scans[0].id;
    let frames = IMAGES.map(|(x0, y0, x1, y1)| NewFrame {
        crop: TiltedBox::from_edges(x0 + 12.0, y0 + 12.0, x1 - 12.0, y1 - 12.0),
        image_area: Some(TiltedBox::from_edges(x0, y0, x1, y1)),
        guard_margin_px: MARGIN_PX,
        orientation: Orientation::default(),
        film_number: None,
        confidence: 0.9,
        reason: "four clear edges".to_owned(),
        flags: Vec::new(),
    });
    let strips = vec![FoundStripEdit {
        film_area: Some(TiltedBox::from_edges(0.0, 0.0, f64::from(SCAN.0), f64::from(SCAN.1))),
        format_id: Some("135".to_owned()),
        perforations: Vec::new(),
        edge_code: None,
        notes: Vec::new(),
        frames: frames.to_vec(),
    }];
    let film = FilmKind::ColourNegative;
    let stock_id = default_stock(film).id.clone();
    let session = apply(&session, Edit::ReplaceStrips { scan, film, stock_id, strips, keep: vec![] });
    let base = FilmBase {
        density_d: BASE_D,
        pixels: 20_000,
        spread_d: [0.002; 3],
        recommended_tolerance_d: 0.02,
        confidence: 0.95,
        source: BaseSource::Rebate,
        field: None,
    };
    let strip = session.strips[0].id;
    let session = apply(&session, Edit::SetBase { strip, base: Some(base) });
    let output = OutputSettings {
        folder: export_folder,
        base_name: "quay".to_owned(),
        rendering: "straight".to_owned(),
        ..session.output.clone()
    };
    apply(&session, Edit::SetOutput(output))
}

/// Writes a session file beside the scan.
pub(crate) fn write_session(folder: &Path, session: &Session) -> PathBuf {
    let path = folder.join("quay.session.json");
    let text = file::to_json(session, Some(folder), &file::FileStamp::default())
        .expect("a sane session can be written");
    std::fs::write(&path, text).expect("the folder is writable");
    path
}

/// A picker whose prepared answers a test can inspect afterwards.
#[derive(Debug, Clone, Default)]
pub(crate) struct SharedPicker(pub(crate) Arc<Mutex<PreparedPicker>>);

impl SharedPicker {
    pub(crate) fn new(answers: Vec<PickOutcome>) -> Self {
        Self(Arc::new(Mutex::new(PreparedPicker::new(answers))))
    }
}

impl FilePicker for SharedPicker {
    fn ask(&mut self, request: PickRequest, wake: Wake) {
        self.0.lock().expect("one thread").ask(request, wake);
    }
    fn poll(&mut self) -> Option<PickAnswer> {
        self.0.lock().expect("one thread").poll()
    }
    fn is_asking(&self) -> bool {
        self.0.lock().expect("one thread").is_asking()
    }
}

/// The program with jobs inside its frames.
pub(crate) fn app(open: Vec<PathBuf>, picker: SharedPicker) -> GlassineApp {
    let jobs = JobHost::inline(Arc::new(Engine::new()));
    let options = AppOptions { inline_jobs: true, open, ..AppOptions::default() };
    GlassineApp::new(jobs, Box::new(picker), options)
}

/// A program that keeps what it remembers, and its autosaves, in a folder of the test.
pub(crate) fn app_in(kept: &Path, open: Vec<PathBuf>, picker: SharedPicker) -> GlassineApp {
    let run = Run::begin(Some(&kept.join("data")));
    let jobs = JobHost::inline(Arc::new(Engine::new().in_run(Arc::new(run))));
    let options = AppOptions {
        inline_jobs: true,
        open,
        demo_folder: Some(kept.join("demo")),
        state: KeptState::read(&kept.join("config"), kept.join("thumbnails")),
        ..AppOptions::default()
    };
    GlassineApp::new(jobs, Box::new(picker), options)
}

/// Ends a run of the program as closing its window does.
pub(crate) fn end(mut window: Harness<'static, GlassineApp>) {
    window.state_mut().end();
}

/// A window over a program, run until it settles.
pub(crate) fn window(app: GlassineApp) -> Harness<'static, GlassineApp> {
    sized_window(app, [1600.0, 1000.0])
}

/// [`window`] in another size.
pub(crate) fn sized_window(app: GlassineApp, size: [f32; 2]) -> Harness<'static, GlassineApp> {
    let builder: HarnessBuilder<GlassineApp> = Harness::builder();
    let builder = builder.with_size(size).with_max_steps(400).with_step_dt(1.0 / 60.0);
    let builder = builder.with_context_setup(|ctx| glassine_app::widgets::theme::apply(ctx, true));
    let mut harness = builder.build_ui_state(
        |ui, app: &mut GlassineApp| {
            let ctx = ui.ctx().clone();
            app.logic(&ctx);
            app.ui(ui);
        },
        app,
    );
    harness.run();
    harness
}

/// A window over the small strip; the folder lives as long as the returned guard.
pub(crate) fn open_window() -> (Harness<'static, GlassineApp>, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    (window_with(folder.path(), SharedPicker::default()), folder)
}

/// A window over the small strip, with prepared answers of the file dialog.
pub(crate) fn window_with(folder: &Path, picker: SharedPicker) -> Harness<'static, GlassineApp> {
    let scan = write_scan(folder);
    let session = session(&scan, Some(folder.join("finished")));
    let mut app = app(Vec::new(), picker);
    app.set_session(session);
    window(app)
}

pub(crate) fn frame_id(harness: &Harness<'_, GlassineApp>, number: u32) -> FrameId {
    let frames = &harness.state().session().frames;
    frames.iter().find(|frame| frame.number == number).expect("the frame is there").id
}

pub(crate) fn crop(harness: &Harness<'_, GlassineApp>, number: u32) -> TiltedBox {
    let frames = &harness.state().session().frames;
    frames.iter().find(|frame| frame.number == number).expect("the frame is there").crop
}

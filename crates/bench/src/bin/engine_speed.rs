//! Times the engine on a session: slider to preview, and export, on the present machine.
//!
//! `cargo run --release -p glassine-bench --bin engine_speed -- SESSION [OUT_DIR]`
//!
//! Prints medians and the largest value. Compare only runs made in the same minute: a busy machine slows all of them
//! alike.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

use glassine_engine::jobs::JobEventKind;
use glassine_engine::{
    Engine, ExportRequest, JobHost, Overlay, PictureSide, PreviewRequest, SessionAt, UnitRect, ViewKey,
    session_files,
};
use glassine_film::Param;
use glassine_raster::{CancelToken, PixelRect};
use glassine_session::Edit;

/// A frame view as large as that of a 1600 by 1000 window.
const VIEW_PX: (u32, u32) = (1200, 560);
const SLIDER_STEPS: u32 = 40;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args_os().skip(1).map(PathBuf::from);
    let path = args.next().ok_or("name a session file")?;
    let cancel = CancelToken::new();
    let engine = Arc::new(Engine::new());
    let made = session_files::open_session(&path, &cancel)?;
    let at = SessionAt::new(made.session, session_files::folder_of(&path));
    println!("{}: {} frames", path.display(), at.session.frames.len());
    for scan in &at.session.scans {
        let started = Instant::now();
        engine.scan_picture(&at, scan.id, &cancel, &|_| ())?;
        let pixels = f64::from(scan.width_px) * f64::from(scan.height_px) / 1e6;
        println!("overview of {pixels:.1} MP: {:.3} s", started.elapsed().as_secs_f64());
    }
    slider(&engine, &at)?;
    for (what, repair) in [("no repair", Some(false)), ("as the frames say", None)] {
        export(
            &engine,
            &at,
            args.next().unwrap_or_else(|| std::env::temp_dir().join("glassine-speed")),
            what,
            repair,
        )?;
    }
    Ok(())
}

/// From a changed value to a finished picture of the selected frame.
fn slider(engine: &Arc<Engine>, at: &SessionAt) -> Result<(), Box<dyn std::error::Error>> {
    let frame = at.session.frames.first().ok_or("the session has no frame")?;
    let mut host = JobHost::inline(Arc::clone(engine));
    let mut session = at.session.clone();
    let mut millis = Vec::new();
    for step in 0..SLIDER_STEPS {
        let value = f64::from(step) / f64::from(SLIDER_STEPS) - 0.5;
        let edit = Edit::SetParam { frames: vec![frame.id], param: Param::ExposureStops, value };
        session = edit.apply(&session)?;
        let request = PreviewRequest {
            key: ViewKey::Frame(frame.id),
            at: SessionAt::new(session.clone(), at.folder.clone()),
            region: UnitRect::WHOLE,
            scan_rect: PixelRect::default(),
            max_width_px: VIEW_PX.0,
            max_height_px: VIEW_PX.1,
            side: PictureSide::Positive,
            overlay: Overlay::None,
            proof: None,
            revision: u64::from(step),
        };
        let started = Instant::now();
        host.preview(request);
        let mut first = None;
        while !host.is_idle() {
            if let Some(JobEventKind::PreviewReady(preview)) = host.poll().map(|event| event.kind) {
                first.get_or_insert((started.elapsed(), preview.width_px, preview.height_px));
            }
        }
        let (elapsed, width, height) = first.ok_or("no preview was made")?;
        if step == 0 {
            println!("first preview, {width} x {height} px: {:.1} ms", elapsed.as_secs_f64() * 1e3);
        } else {
            millis.push(elapsed.as_secs_f64() * 1e3);
        }
    }
    millis.sort_by(f64::total_cmp);
    println!(
        "slider to preview: median {:.1} ms, p95 {:.1} ms, largest {:.1} ms",
        millis[millis.len() / 2],
        millis[millis.len() * 95 / 100],
        millis[millis.len() - 1]
    );
    Ok(())
}

fn export(
    engine: &Engine,
    at: &SessionAt,
    folder: PathBuf,
    what: &str,
    repair: Option<bool>,
) -> Result<(), Box<dyn std::error::Error>> {
    let request = ExportRequest { repair, replace: true, ..ExportRequest::new(at.clone(), folder) };
    let started = Instant::now();
    let report = engine.export(&request, &CancelToken::new(), &|_, _| ())?;
    let seconds = started.elapsed().as_secs_f64();
    let pixels: f64 =
        report.written.iter().map(|file| f64::from(file.width_px) * f64::from(file.height_px)).sum::<f64>()
            / 1e6;
    println!(
        "export, {what}: {} frames, {pixels:.1} MP in {seconds:.2} s: {:.1} MP/s, {} failed",
        report.written.len(),
        pixels / seconds,
        report.failed.len()
    );
    Ok(())
}

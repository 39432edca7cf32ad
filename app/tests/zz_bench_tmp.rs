#![allow(missing_docs, clippy::all)]
use std::sync::Arc;
use std::time::Instant;
use egui::{Context, Pos2, RawInput, Rect, vec2};
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::dialogs::PreparedPicker;
use glassine_engine::{Engine, JobHost};
#[test]
fn bench() {
    let jobs = JobHost::inline(Arc::new(Engine::new()));
    let options = AppOptions { inline_jobs: true, open: vec![std::env::var("SESSION").unwrap().into()], ..AppOptions::default() };
    let mut app = GlassineApp::new(jobs, Box::new(PreparedPicker::default()), options);
    let ctx = Context::default();
    let mut t = 0.0;
    let mut frame = |app: &mut GlassineApp, t: f64, i: usize| {
        let input = RawInput { screen_rect: Some(Rect::from_min_size(Pos2::ZERO, vec2(1600.0, 1000.0))), time: Some(t),
            events: vec![egui::Event::PointerMoved(egui::pos2(300.0 + i as f32, 200.0))], ..RawInput::default() };
        let b = Instant::now();
        let mut out = ctx.run_ui(input, |ui| { let c = ui.ctx().clone(); app.logic(&c); app.ui(ui); });
        let e = b.elapsed();
        let b2 = Instant::now();
        let prims = ctx.tessellate(std::mem::take(&mut out.shapes), 1.0);
        let e2 = b2.elapsed();
        out.textures_delta.clear();
        (e, e2, prims.len())
    };
    for i in 0..300 { t += 0.05; frame(&mut app, t, i); if app.is_idle() && i > 50 { break } }
    let mut v: Vec<_> = (0..200).map(|i| { t += 0.02; frame(&mut app, t, i) }).collect();
    v.sort_by_key(|x| x.0);
    println!("frames {} ui+logic median {:?} p95 {:?} tess {:?} prims {}", app.session().frames.len(), v[100].0, v[190].0, v[100].1, v[100].2);
}

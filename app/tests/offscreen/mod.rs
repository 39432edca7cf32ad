//! The whole window without a display: frames run one after another and are drawn by the processor. For tests, and for
//! pictures of the window.
//!
//! Jobs run inside the frames (the program must have been made with inline jobs), so a run always ends the same way.

#![allow(dead_code, reason = "each program that includes this module uses its own part")]

mod renderer;

use std::path::Path;

use egui::{Context, Event, FullOutput, Pos2, RawInput, Rect, Vec2, ViewportId};
use glassine_app::app::GlassineApp;
use glassine_app::widgets::theme;
use glassine_scanfile::{Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter};

use renderer::CpuRenderer;
pub(crate) use renderer::WindowPicture;

/// Time between two frames of a headless window, seconds.
const FRAME_SECONDS: f64 = 0.1;
/// Frames run after everything is done, so that fades end and work that waits for things to settle is done.
const CALM_FRAMES: usize = 12;

/// A window without a display.
pub(crate) struct HeadlessWindow {
    ctx: Context,
    renderer: CpuRenderer,
    size_points: Vec2,
    scale: f32,
    frames_run: u32,
    output: Option<FullOutput>,
}

impl std::fmt::Debug for HeadlessWindow {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("HeadlessWindow").field("frames_run", &self.frames_run).finish_non_exhaustive()
    }
}

impl HeadlessWindow {
    /// Makes a window of this size; `scale` is physical pixels for one point.
    pub(crate) fn new(size_points: Vec2, scale: f32) -> Self {
        let ctx = Context::default();
        // Fonts must be loaded before the layout of the first frame.
        theme::apply(&ctx, true);
        Self { ctx, renderer: CpuRenderer::new(), size_points, scale, frames_run: 0, output: None }
    }

    /// Runs one frame with these input events.
    pub(crate) fn frame(&mut self, app: &mut GlassineApp, events: Vec<Event>) {
        let mut input = RawInput {
            screen_rect: Some(Rect::from_min_size(Pos2::ZERO, self.size_points)),
            time: Some(f64::from(self.frames_run) * FRAME_SECONDS),
            predicted_dt: FRAME_SECONDS as f32,
            max_texture_side: Some(8192),
            focused: true,
            events,
            ..RawInput::default()
        };
        input.viewports.entry(ViewportId::ROOT).or_default().native_pixels_per_point = Some(self.scale);
        let mut output = self.ctx.run_ui(input, |ui| {
            let ctx = ui.ctx().clone();
            app.logic(&ctx);
            app.ui(ui);
        });
        self.renderer.take_textures(&mut output.textures_delta);
        self.output = Some(output);
        self.frames_run += 1;
    }

    /// Runs frames until the program is idle and wants no repaint, at most `limit`; returns whether it settled.
    pub(crate) fn settle(&mut self, app: &mut GlassineApp, limit: usize) -> bool {
        let mut calm = 0;
        for _ in 0..limit {
            self.frame(app, Vec::new());
            calm = if app.is_idle() && !self.wants_repaint() { calm + 1 } else { 0 };
            if calm >= CALM_FRAMES {
                return true;
            }
        }
        false
    }

    /// Whether the last frame requested another one at once.
    pub(crate) fn wants_repaint(&self) -> bool {
        let root = self.output.as_ref().and_then(|output| output.viewport_output.get(&ViewportId::ROOT));
        root.is_some_and(|root| root.repaint_delay.is_zero())
    }

    /// The last frame as a picture; `None` before the first.
    pub(crate) fn picture(&self, light: bool) -> Option<WindowPicture> {
        let output = self.output.as_ref()?;
        Some(self.renderer.paint(&self.ctx, output, theme::palette_of(!light).surround))
    }
}

/// Writes a picture of the window as PNG.
pub(crate) fn save_png(
    picture: &WindowPicture,
    path: &Path,
    replace: bool,
) -> Result<(), glassine_scanfile::Error> {
    let spec = PictureSpec {
        width_px: picture.width_px,
        height_px: picture.height_px,
        channels: 3,
        bits: 8,
        ppi: None,
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Png,
        overwrite: if replace { Overwrite::Replace } else { Overwrite::Never },
    };
    let mut writer = PictureWriter::begin(path, &spec)?;
    let rgb: Vec<u8> = picture.rgba.chunks_exact(4).flat_map(|p| [p[0], p[1], p[2]]).collect();
    writer.write_rows_u8(&rgb)?;
    writer.finish().map(drop)
}

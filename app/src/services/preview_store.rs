//! Finished pictures on their way to the screen: what has arrived, and its textures.
//!
//! Workers deliver finished 8-bit pictures; the store has them converted to the screen, uploads them, a few a frame, and
//! drops stale ones.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::Arc;

use egui::{Color32, ColorImage, Context, TextureHandle, TextureOptions};
use glassine_engine::{FoundReading, Preview, RepairSummary, ScanMarks, ScanPicture, ViewKey};
use glassine_film::Histogram;
use glassine_raster::PixelRect;
use glassine_session::{FrameId, ScanId};

use crate::model::eta::ProgressEstimate;
use crate::services::screen_pixels::{Conversion, ScreenPixels};

/// Pixels uploaded in one frame of the window, about 2 ms on a software renderer; one picture is always taken.
const UPLOAD_PX_PER_FRAME: u64 = 2_000_000;
/// Longest side of one tile of a scan overview; every renderer supports this size.
const TILE_PX: u32 = 1024;

/// A picture that has arrived, and the one on screen.
struct Slot {
    /// The newest one.
    preview: Arc<Preview>,
    /// Its pixels, until they are uploaded.
    pixels: Option<ScreenPixels>,
    /// The one that was uploaded last, with its texture.
    shown: Option<(TextureHandle, Arc<Preview>)>,
}

impl std::fmt::Debug for Slot {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Slot").field("revision", &self.preview.revision).finish_non_exhaustive()
    }
}

/// One tile of a scan overview.
pub struct OverviewTile {
    /// Its place on the scan.
    pub scan_rect: PixelRect,
    pub texture: TextureHandle,
    /// Scan pixels for one pixel of the picture it was cut from.
    factor: u32,
}

impl std::fmt::Debug for OverviewTile {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("OverviewTile").field("scan_rect", &self.scan_rect).finish_non_exhaustive()
    }
}

/// Overview of a scan as tiles.
#[derive(Debug, Default)]
struct Overview {
    tiles: Vec<OverviewTile>,
    waiting: VecDeque<(PixelRect, Arc<ScanPicture>)>,
    /// A picture whose pixels are being converted.
    next: Option<(Arc<ScanPicture>, ScreenPixels)>,
    factor: u32,
}

impl Overview {
    fn accept(&mut self, picture: &Arc<ScanPicture>, conversion: Option<&Conversion>) {
        self.next = Some((Arc::clone(picture), ScreenPixels::convert(&picture.rgba, conversion)));
        self.begin_if_ready();
    }

    fn begin_if_ready(&mut self) {
        if let Some((picture, pixels)) = self.next.take_if(|(_, pixels)| pixels.ready().is_some())
            && let Some(rgba) = pixels.ready()
        {
            self.begin(&Arc::new(ScanPicture { rgba: Arc::clone(rgba), ..(*picture).clone() }));
        }
    }

    /// Whether nothing waits.
    fn is_uploaded(&self) -> bool {
        self.waiting.is_empty() && self.next.is_none()
    }

    fn begin(&mut self, picture: &Arc<ScanPicture>) {
        self.factor = picture.factor.max(1);
        self.waiting.clear();
        let mut y = 0;
        while y < picture.height_px {
            let mut x = 0;
            while x < picture.width_px {
                let rect = PixelRect::new(
                    x,
                    y,
                    (x + TILE_PX).min(picture.width_px),
                    (y + TILE_PX).min(picture.height_px),
                );
                self.waiting.push_back((rect, Arc::clone(picture)));
                x += TILE_PX;
            }
            y += TILE_PX;
        }
    }

    /// Uploads the next tile, if there is one.
    fn upload_one(&mut self, ctx: &Context, name: &str) {
        let Some((rect, picture)) = self.waiting.pop_front() else { return };
        let image = cut(&picture, rect);
        let scan_rect = PixelRect::new(
            rect.x0 * self.factor,
            rect.y0 * self.factor,
            rect.x1 * self.factor,
            rect.y1 * self.factor,
        );
        let options = TextureOptions::LINEAR.with_mipmap_mode(Some(egui::TextureFilter::Linear));
        match self.tiles.iter_mut().find(|tile| tile.scan_rect == scan_rect) {
            Some(tile) => {
                tile.texture.set(image, options);
                tile.factor = self.factor;
            }
            None => {
                let texture = ctx.load_texture(format!("{name} {} {}", rect.x0, rect.y0), image, options);
                self.tiles.push(OverviewTile { scan_rect, texture, factor: self.factor });
            }
        }
        if self.waiting.is_empty() {
            // Tiles of a coarser picture stayed below until now, so that nothing flickers.
            self.tiles.retain(|tile| tile.factor == self.factor);
        }
    }
}

/// Finished pictures by their place on screen.
#[derive(Debug, Default)]
pub struct PreviewStore {
    slots: HashMap<ViewKey, Slot>,
    overviews: BTreeMap<ScanId, Overview>,
    readings: BTreeMap<ScanId, FoundReading>,
    marks: BTreeMap<(ScanId, ScanMarks), (Overview, u64)>,
    failed: HashMap<ViewKey, String>,
    repairs: HashMap<FrameId, Arc<RepairSummary>>,
    /// How pixels are converted to the screen; `None` if it takes sRGB.
    conversion: Option<Conversion>,
    /// The running dust detection: its picture and its progress.
    dust: Option<(ViewKey, ProgressEstimate)>,
}

impl PreviewStore {
    /// Takes a finished picture of the current session; one that is older than the shown one is dropped.
    pub(crate) fn accept(&mut self, preview: Arc<Preview>) {
        let key = preview.key;
        if self.slots.get(&key).is_some_and(|slot| slot.preview.revision > preview.revision) {
            return;
        }
        self.failed.remove(&key);
        if !preview.lacks_repair {
            self.dust.take_if(|(looked_for, _)| *looked_for == key);
        }
        if let (ViewKey::Frame(frame), Some(repair)) = (key, &preview.repair) {
            self.repairs.insert(frame, Arc::clone(repair));
        }
        let conversion = self.conversion.as_ref().filter(|_| !preview.is_proof);
        let pixels = Some(ScreenPixels::convert(&preview.rgba, conversion));
        let shown = self.slots.remove(&key).and_then(|slot| slot.shown);
        self.slots.insert(key, Slot { preview, pixels, shown });
    }

    /// Converts the pixels of pictures that arrive from now on in this way.
    pub(crate) fn convert_with(&mut self, conversion: Option<Conversion>) {
        self.conversion = conversion;
    }

    /// Records the progress of a picture's dust detection.
    pub(crate) fn dust_progress(&mut self, key: ViewKey, share: f32, now_s: f64) {
        let (_, estimate) = match &mut self.dust {
            Some(known) if known.0 == key => known,
            other => other.insert((key, ProgressEstimate::default())),
        };
        estimate.report(share, now_s);
    }

    /// Share of a picture's dust detection that is done, and its remaining time if there is an estimate.
    pub fn dust_look(&self, key: ViewKey, now_s: f64) -> Option<(f64, Option<String>)> {
        let (_, estimate) = self.dust.as_ref().filter(|(looked_for, _)| *looked_for == key)?;
        Some((estimate.share()?, estimate.remaining_text(now_s)))
    }

    pub(crate) fn fail(&mut self, key: ViewKey, why: String) {
        self.failed.insert(key, why);
    }

    /// Takes the overview of a scan.
    pub(crate) fn accept_overview(&mut self, picture: &Arc<ScanPicture>) {
        self.overviews.entry(picture.scan).or_default().accept(picture, self.conversion.as_ref());
        self.readings.insert(picture.scan, picture.reading.clone());
    }

    /// Takes marks over a scan, and the number of their pixels.
    pub(crate) fn accept_marks(&mut self, marks: ScanMarks, picture: &Arc<ScanPicture>, pixels: u64) {
        let (overview, count) = self.marks.entry((picture.scan, marks)).or_default();
        overview.accept(picture, self.conversion.as_ref());
        *count = pixels;
    }

    /// Drops everything: another session begins.
    pub(crate) fn clear(&mut self) {
        *self = Self { conversion: self.conversion.take(), ..Self::default() };
    }

    /// Drops pictures of places and scans that are no longer in the session.
    pub(crate) fn keep_only(&mut self, keep: impl Fn(&ViewKey) -> bool, has_scan: impl Fn(ScanId) -> bool) {
        self.overviews.retain(|scan, _| has_scan(*scan));
        self.readings.retain(|scan, _| has_scan(*scan));
        self.marks.retain(|(scan, _), _| has_scan(*scan));
        self.slots.retain(|key, _| keep(key));
        self.failed.retain(|key, _| keep(key));
        self.repairs.retain(|frame, _| keep(&ViewKey::Frame(*frame)));
    }

    /// Drops one picture and its texture.
    pub(crate) fn forget(&mut self, key: ViewKey) {
        self.slots.remove(&key);
        self.failed.remove(&key);
    }

    /// Turns waiting pictures into textures, as many as fit into one frame; returns whether more wait.
    pub(crate) fn upload_some(&mut self, ctx: &Context) -> bool {
        let mut room = UploadRoom(UPLOAD_PX_PER_FRAME);
        let is_ready = |slot: &Slot| slot.pixels.as_ref().is_some_and(|pixels| pixels.ready().is_some());
        let mut waiting: Vec<ViewKey> =
            self.slots.iter().filter(|(_, slot)| is_ready(slot)).map(|(key, _)| *key).collect();
        // The large picture comes first; small ones follow in a steady order.
        waiting.sort_by_key(|key| match *key {
            ViewKey::Frame(id) => (0, id.0, 0),
            ViewKey::Compare(id) => (1, id.0, 0),
            ViewKey::ScanRegion(id) => (2, id.0, 0),
            ViewKey::Proof(id, cell) => (3, id.0, cell),
            ViewKey::Print(id) => (4, id.0, 0),
        });
        for key in waiting {
            let Some(slot) = self.slots.get_mut(&key) else { continue };
            if !room.take(u64::from(slot.preview.width_px) * u64::from(slot.preview.height_px)) {
                return true;
            }
            let Some(pixels) = slot.pixels.take() else { continue };
            let rgba = pixels.ready().map_or(&[][..], |rgba| rgba.as_slice());
            let image = opaque_image(&slot.preview, rgba);
            let options = TextureOptions::LINEAR;
            // The texture holds the pixels now; the counts stay.
            slot.preview = Arc::new(Preview { rgba: Arc::default(), ..(*slot.preview).clone() });
            let texture = match slot.shown.take() {
                Some((mut texture, _)) => {
                    texture.set(image, options);
                    texture
                }
                None => ctx.load_texture(format!("{key:?}"), image, options),
            };
            slot.shown = Some((texture, Arc::clone(&slot.preview)));
        }
        let overviews = self.overviews.values_mut().map(|overview| (overview, "scan"));
        let marks = self.marks.values_mut().map(|(overview, _)| (overview, "marks"));
        for (overview, name) in overviews.chain(marks) {
            overview.begin_if_ready();
            while let Some((rect, _)) = overview.waiting.front() {
                if !room.take(rect.area()) {
                    return true;
                }
                overview.upload_one(ctx, name);
            }
        }
        false
    }

    /// Whether every picture that arrived has its texture.
    pub fn is_uploaded(&self) -> bool {
        let overviews = self.overviews.values().chain(self.marks.values().map(|(overview, _)| overview));
        self.slots.values().all(|slot| slot.pixels.is_none())
            && overviews.into_iter().all(Overview::is_uploaded)
    }

    /// The picture shown at a place.
    pub fn picture(&self, key: ViewKey) -> Option<(&TextureHandle, &Preview)> {
        let (texture, preview) = self.slots.get(&key)?.shown.as_ref()?;
        Some((texture, preview))
    }

    /// Pictures that have arrived, with or without a texture.
    pub fn arrived(&self) -> impl Iterator<Item = &Preview> {
        self.slots.values().map(|slot| slot.preview.as_ref())
    }

    /// Histogram of the frame shown large.
    pub fn histogram(&self, frame: FrameId) -> Option<&Arc<Histogram>> {
        self.slots.get(&ViewKey::Frame(frame))?.preview.histogram.as_ref()
    }

    /// What dust repair last found in a frame.
    pub fn repair(&self, frame: FrameId) -> Option<&Arc<RepairSummary>> {
        self.repairs.get(&frame)
    }

    /// Why a picture could not be made.
    pub fn failure(&self, key: ViewKey) -> Option<&str> {
        self.failed.get(&key).map(String::as_str)
    }

    /// How the file of a scan was read for its overview.
    pub fn reading(&self, scan: ScanId) -> Option<&FoundReading> {
        self.readings.get(&scan)
    }

    /// Tiles of a scan's overview.
    pub fn overview(&self, scan: ScanId) -> &[OverviewTile] {
        self.overviews.get(&scan).map_or(&[], |overview| overview.tiles.as_slice())
    }

    /// Whether the tiles cover the scan, so that nothing below them shows.
    pub fn overview_is_whole(&self, scan: ScanId) -> bool {
        self.overviews.get(&scan).is_some_and(|o| !o.tiles.is_empty() && o.waiting.is_empty())
    }

    /// Scan pixels for one pixel of the overview.
    pub fn overview_factor(&self, scan: ScanId) -> Option<u32> {
        self.overviews.get(&scan).map(|overview| overview.factor)
    }

    /// Tiles of the marks over a scan.
    pub fn marks(&self, scan: ScanId, marks: ScanMarks) -> &[OverviewTile] {
        self.marks.get(&(scan, marks)).map_or(&[], |(overview, _)| overview.tiles.as_slice())
    }

    /// Number of marked pixels.
    pub fn marked_count(&self, scan: ScanId, marks: ScanMarks) -> Option<u64> {
        self.marks.get(&(scan, marks)).map(|(_, count)| *count)
    }
}

/// Pixels that may still be uploaded in this frame.
struct UploadRoom(u64);

impl UploadRoom {
    /// Takes room for a picture; the first one always fits, however large.
    fn take(&mut self, pixels: u64) -> bool {
        let is_first = self.0 == UPLOAD_PX_PER_FRAME;
        if pixels > self.0 && !is_first {
            return false;
        }
        // A picture without pixels still counts as one.
        self.0 = self.0.saturating_sub(pixels.max(1));
        true
    }
}

fn opaque_image(preview: &Preview, rgba: &[u8]) -> ColorImage {
    let size = [preview.width_px as usize, preview.height_px as usize];
    let mut pixels: Vec<Color32> =
        rgba.chunks_exact(4).map(|p| Color32::from_rgb(p[0], p[1], p[2])).collect();
    pixels.resize(size[0] * size[1], Color32::BLACK);
    ColorImage::new(size, pixels)
}

/// Cuts a rectangle out of an overview; transparent pixels stay transparent.
fn cut(picture: &ScanPicture, rect: PixelRect) -> ColorImage {
    let size = [rect.width() as usize, rect.height() as usize];
    let mut pixels = Vec::with_capacity(size[0] * size[1]);
    for y in rect.y0..rect.y1 {
        let from = (y as usize * picture.width_px as usize + rect.x0 as usize) * 4;
        let row = picture.rgba.get(from..from + size[0] * 4).unwrap_or(&[]);
        pixels.extend(row.chunks_exact(4).map(|p| match p[3] {
            u8::MAX => Color32::from_rgb(p[0], p[1], p[2]),
            alpha => Color32::from_rgba_unmultiplied(p[0], p[1], p[2], alpha),
        }));
    }
    pixels.resize(size[0] * size[1], Color32::TRANSPARENT);
    ColorImage::new(size, pixels)
}

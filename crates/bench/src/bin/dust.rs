//! Measures dust repair of the whole program on random strips, each against a twin without dust, as a table.
//!
//! `cargo run --release -p glassine-bench --bin dust -- [--first SEED] [--each N] [--only SEED] > tests/DUST.md`
//!
//! Film, format, scenes, exposure, resolution, scanner, dust and scratches follow from the seed. Both twins share film,
//! grain and noise. `DEFINITIONS` says what is measured; the page repeats it.
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "the table is the output, refusals are told beside it"
)]

use std::error::Error;
use std::path::{Path, PathBuf};

use clap::Parser;
use glassine_engine::{Engine, SessionAt, SharpenChoice};
use glassine_film::FilmKind;
use glassine_filmsim::{
    Dirt, FilmStock, FrameSpec, Light, RenderedStrip, SceneId, StripSpec, demo_spec, demo_stock, render_strip,
};
use glassine_raster::{CancelToken, PixelRect, Plane, Point, RegionSource as _, Samples16};
use glassine_scanfile::{OpenOptions, Overwrite, write_rgbi};
use glassine_session::{Session, TiffCompression};
use glassine_testdata::random::SplitMix64;
use glassine_tests::{export_request, new_session, write_png8};

const DEFINITIONS: &str = "\
Damage is the largest change of a colour code against the twin, `|1 - dusty/clean|`, where it is more than 4 codes; it counts \
from .08, within the true frames less 4 px. *Precision*: marked pixels within 2 px of damage above .02. *Recall*: damaged \
pixels that are marked. *Objects*: connected damage above .04 that reaches .12, found when more than half of its damaged pixels \
are marked. *PSNR* and *SSIM* (7 px, grey): exported sRGB pictures, repaired dusty against unrepaired clean under the very same \
session, over damaged pixels; before repair in brackets. *Outside*: rms change by the repair more than 4 px away from damage \
above .02. *Clean*: pixels marked on the clean twin.";

/// Changes below this, in codes, are rounding, noise or stray light of the dust itself.
const CHANGE_MIN: f64 = 4.0;
/// Width of the edge of a true frame that is not judged, pixels.
const EDGE_PX: f64 = 4.0;
/// Half side of the window of the structural similarity, pixels.
const SSIM_PX: i64 = 3;

#[derive(Debug, Parser)]
struct Args {
    /// Seed of the first strip of each sort; the sorts are 1000 apart
    #[arg(long, default_value_t = 1)]
    first: u32,
    /// Strips of each sort
    #[arg(long, default_value_t = 6)]
    each: u32,
    /// Only the strip of this seed
    #[arg(long)]
    only: Option<u32>,
    /// A row for each strip
    #[arg(long)]
    each_strip: bool,
    /// Folder for scans and maps of the strips
    #[arg(long)]
    keep: Option<PathBuf>,
}

/// Film kind, whether it is perforated, and its name.
const SORTS: [(FilmKind, bool, &str); 4] = [
    (FilmKind::ColourNegative, true, "colour negative, 35 mm"),
    (FilmKind::ColourNegative, false, "colour negative, roll film"),
    (FilmKind::Slide, true, "slide, 35 mm"),
    (FilmKind::Slide, false, "slide, roll film"),
];

/// Id, sides along and across the film, and frame pitch, mm.
const PERFORATED: [(&str, f64, f64, f64); 2] = [("135", 36.0, 24.0, 38.0), ("135-half", 18.0, 24.0, 19.0)];
const ROLL: [(&str, f64, f64, f64); 3] =
    [("6x4.5", 41.5, 56.0, 46.5), ("6x6", 56.0, 56.0, 61.5), ("6x7", 70.0, 56.0, 75.0)];

/// Draws the strip of a seed; returns it with its format.
fn draw(sort: usize, seed: u32) -> Result<(StripSpec, &'static str), Box<dyn Error>> {
    let (film, is_perforated, _) = SORTS[sort];
    let mut dice = SplitMix64::new(u64::from(seed) << 8);
    let mut spec =
        demo_spec(if is_perforated { "headland" } else { "harbour" }, 300.0).ok_or("no such strip")?;
    spec.seed = seed;
    spec.stock = match film {
        FilmKind::Slide => demo_stock("meridian-50").ok_or("no such stock")?,
        _ if dice.below(4) == 0 => demo_stock("lantern-200").ok_or("no such stock")?,
        _ => FilmStock::Drawn(seed),
    };
    let formats: &[_] = if is_perforated { &PERFORATED } else { &ROLL };
    // Whole frames are the most common on 35 mm.
    let pick = if is_perforated { usize::from(dice.below(4) == 0) } else { dice.below(formats.len()) };
    let (format, along_mm, across_mm, pitch_mm) = formats[pick];
    let count = 2 + dice.below(2) * (1 + usize::from(is_perforated));
    let length_mm = pitch_mm * count as f64 + 7.0;
    spec.film_mm[0] = length_mm;
    spec.window_mm[0] = length_mm + 5.0;
    spec.scan_mm[0] = length_mm + 11.0;
    spec.film_offset_mm = [dice.between(-0.8, 0.8), dice.between(-0.2, 0.2)];
    spec.angle_deg = dice.between(-0.9, 0.9);
    spec.ppi = if is_perforated { dice.between(300.0, 800.0) } else { dice.between(250.0, 450.0) }.round();
    spec.scene_px = (0.85 * along_mm.max(across_mm) * spec.ppi / 25.4) as u32;
    let first_mm = -0.5 * pitch_mm * (count as f64 - 1.0);
    spec.frames = (0..count)
        .map(|i| FrameSpec {
            scene: SceneId::ALL[dice.below(SceneId::ALL.len())],
            stops: dice.between(-0.8, if film == FilmKind::Slide { 0.5 } else { 1.5 }),
            center_mm: [first_mm + pitch_mm * i as f64 + dice.between(-0.2, 0.2), dice.between(-0.1, 0.1)],
            size_mm: [along_mm, across_mm],
            turn_deg: dice.between(-0.1, 0.1),
            light: Light::DAYLIGHT,
            quarter_turns: 0,
        })
        .collect();
    let area_cm2 = spec.film_mm[0] * spec.film_mm[1] / 100.0;
    let specks = area_cm2 * 10_f64.powf(dice.between(-0.3, 0.7));
    spec.dirt = Dirt {
        specks: specks as u32,
        hairs: dice.below(12) as u32,
        base_scratches: dice.below(5) as u32,
        emulsion_scratches: dice.below(4) as u32,
        emulsion_lines: dice.below(7) as u32,
    };
    let scanner = &mut spec.scanner;
    let blur_px = dice.between(0.5, 0.75);
    scanner.blur_px = [blur_px + 0.03, blur_px, blur_px + 0.02, dice.between(0.6, 1.1)];
    scanner.shift_px[3] = [dice.between(-1.0, 1.0), dice.between(-1.0, 1.0)];
    scanner.lamp_falloff_frac = dice.between(0.0, 0.05);
    scanner.flare_frac = dice.between(0.0, 0.006);
    scanner.veil_frac = if dice.below(2) == 0 { 0.0 } else { dice.between(0.0, 0.02) };
    scanner.dye_infrared = dice.between(0.5, 1.5);
    scanner.full_well_electrons = dice.between(60_000.0, 250_000.0);
    Ok((spec, format))
}

/// Sums of measurements; adding those of several strips pools them.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    marked: f64,
    marked_right: f64,
    damaged: f64,
    damaged_marked: f64,
    objects: f64,
    objects_found: f64,
    picture_px: f64,
    square_error: f64,
    square_error_before: f64,
    ssim: f64,
    outside_px: f64,
    outside_square: f64,
    clean_px: f64,
}

/// Figures of one strip, or of several together.
#[derive(Debug, Clone, Copy)]
struct Figures {
    precision: f64,
    recall: f64,
    objects: f64,
    psnr_db: f64,
    psnr_before_db: f64,
    ssim: f64,
    outside: f64,
    clean_px: f64,
}

impl Sums {
    fn add(&mut self, other: &Self) {
        let pairs = [
            (&mut self.marked, other.marked),
            (&mut self.marked_right, other.marked_right),
            (&mut self.damaged, other.damaged),
            (&mut self.damaged_marked, other.damaged_marked),
            (&mut self.objects, other.objects),
            (&mut self.objects_found, other.objects_found),
            (&mut self.picture_px, other.picture_px),
            (&mut self.square_error, other.square_error),
            (&mut self.square_error_before, other.square_error_before),
            (&mut self.ssim, other.ssim),
            (&mut self.outside_px, other.outside_px),
            (&mut self.outside_square, other.outside_square),
            (&mut self.clean_px, other.clean_px),
        ];
        pairs.into_iter().for_each(|(sum, value)| *sum += value);
    }

    fn figures(&self) -> Figures {
        let share = |part: f64, of: f64| if of > 0.0 { part / of } else { 1.0 };
        let psnr_db = |square: f64| -10.0 * share(square, self.picture_px).max(1e-12).log10();
        Figures {
            precision: share(self.marked_right, self.marked),
            recall: share(self.damaged_marked, self.damaged),
            objects: share(self.objects_found, self.objects),
            psnr_db: psnr_db(self.square_error),
            psnr_before_db: psnr_db(self.square_error_before),
            ssim: share(self.ssim, self.picture_px),
            outside: (self.outside_square / self.outside_px.max(1.0)).sqrt(),
            clean_px: self.clean_px,
        }
    }
}

/// The true state of a strip: damage, and the area to judge.
struct Truth {
    damage: Plane<f32>,
    judged: Plane<u8>,
}

impl Truth {
    fn new(dusty: &RenderedStrip, clean: &RenderedStrip) -> Self {
        let (w, h) = (dusty.samples.width(), dusty.samples.height());
        let (mut damage, mut judged) = (Plane::filled(w, h, 0.0), Plane::filled(w, h, 0));
        for (x, y) in (0..h).flat_map(|y| (0..w).map(move |x| (x, y))) {
            let (a, b) = (clean.samples.pixel(x, y), dusty.samples.pixel(x, y));
            let change = (0..3).map(|c| {
                let (a, b) = (f64::from(a[c]), f64::from(b[c]));
                if (a - b).abs() > CHANGE_MIN { (1.0 - (b + 1.0) / (a + 1.0)).abs() } else { 0.0 }
            });
            damage.set(x, y, change.fold(0.0, f64::max) as f32);
            let center = Point::new(f64::from(x) + 0.5, f64::from(y) + 0.5);
            let inside = dusty.truth.frames.iter().any(|frame| {
                let at = frame.area.unit_from_scan(center);
                let reach = |at: f64, side_px: f64| at.min(1.0 - at) * side_px;
                reach(at.x, frame.area.width_px).min(reach(at.y, frame.area.height_px)) > EDGE_PX
            });
            judged.set(x, y, u8::from(inside));
        }
        Self { damage, judged }
    }

    /// Pixels within `steps` four-neighbour steps of damage above a limit.
    fn near(&self, above: f32, steps: u32) -> Plane<u8> {
        let (w, h) = (self.damage.width(), self.damage.height());
        let mut near = Plane::filled(w, h, 0_u8);
        for (to, damage) in near.data_mut().iter_mut().zip(self.damage.data()) {
            *to = u8::from(*damage > above);
        }
        for _ in 0..steps {
            let before = near.clone();
            for (x, y) in (0..h).flat_map(|y| (0..w).map(move |x| (x, y))) {
                let beside = [(x.wrapping_sub(1), y), (x + 1, y), (x, y.wrapping_sub(1)), (x, y + 1)];
                if beside.iter().any(|(x, y)| *x < w && *y < h && before.at(*x, *y) != 0) {
                    near.set(x, y, 1);
                }
            }
        }
        near
    }

    /// Compares a map of the scan with the damage.
    fn judge_map(&self, map: &Plane<u8>, sums: &mut Sums) {
        let tolerated = self.near(0.02, 2);
        let (w, h) = (map.width(), map.height());
        let mut seen = Plane::filled(w, h, 0_u8);
        for (x, y) in (0..h).flat_map(|y| (0..w).map(move |x| (x, y))) {
            if self.judged.at(x, y) == 0 {
                continue;
            }
            let (is_marked, damage) = (map.at(x, y) != 0, self.damage.at(x, y));
            sums.marked += f64::from(u8::from(is_marked));
            sums.marked_right += f64::from(u8::from(is_marked && tolerated.at(x, y) != 0));
            sums.damaged += f64::from(u8::from(damage > 0.08));
            sums.damaged_marked += f64::from(u8::from(damage > 0.08 && is_marked));
            if damage > 0.04 && seen.at(x, y) == 0 {
                self.judge_object((x, y), map, &mut seen, sums);
            }
        }
    }

    /// Measures the connected object that contains a pixel.
    fn judge_object(&self, first: (u32, u32), map: &Plane<u8>, seen: &mut Plane<u8>, sums: &mut Sums) {
        let (mut peak, mut damaged, mut found) = (0.0_f32, 0_u32, 0_u32);
        let mut open = vec![first];
        seen.set(first.0, first.1, 1);
        while let Some((x, y)) = open.pop() {
            let damage = self.damage.at(x, y);
            peak = peak.max(damage);
            damaged += u32::from(damage > 0.08);
            found += u32::from(damage > 0.08 && map.at(x, y) != 0);
            let beside = PixelRect::new(x, y, x + 1, y + 1).grown(1, map.width(), map.height());
            for (x, y) in (beside.y0..beside.y1).flat_map(|y| (beside.x0..beside.x1).map(move |x| (x, y))) {
                if seen.at(x, y) == 0 && self.judged.at(x, y) != 0 && self.damage.at(x, y) > 0.04 {
                    seen.set(x, y, 1);
                    open.push((x, y));
                }
            }
        }
        if peak > 0.12 {
            sums.objects += 1.0;
            sums.objects_found += f64::from(u8::from(2 * found > damaged));
        }
    }
}

/// A strip on disk with its session.
struct Case {
    engine: Engine,
    folder: tempfile::TempDir,
    session: Session,
}

impl Case {
    fn new(strip: &RenderedStrip, film: FilmKind, format: &str) -> Result<Self, Box<dyn Error>> {
        let folder = tempfile::tempdir()?;
        let scan = folder.path().join("strip.tif");
        write_rgbi(&scan, &strip.samples, strip.ppi, "strip", Overwrite::Never)?;
        let engine = Engine::new();
        let session = new_session(&engine, &[scan], film, format).session;
        Ok(Self { engine, folder, session })
    }

    /// Where dust is marked on the scan, and the number of marked pixels.
    fn map(&self) -> Result<(Plane<u8>, u64), Box<dyn Error>> {
        let at = SessionAt::new(self.session.clone(), None);
        let dust = self.engine.dust_of_scan(&at, self.session.scans[0].id, &CancelToken::new())?;
        for refusal in &dust.refusals {
            eprintln!("{refusal}");
        }
        Ok((dust.severity, dust.marked_px))
    }

    fn pictures(&self, name: &str, repair: bool) -> Result<Vec<Samples16>, Box<dyn Error>> {
        let mut request = export_request(self.session.clone(), self.folder.path().join(name), |output| {
            "straight".clone_into(&mut output.rendering);
            output.compression = TiffCompression::None;
        });
        (request.repair, request.sharpen) = (Some(repair), Some(SharpenChoice::Off));
        let report = self.engine.export(&request, &CancelToken::new(), &|_, _| ())?;
        report.written.iter().map(|file| read(&file.path)).collect()
    }
}

fn read(path: &Path) -> Result<Samples16, Box<dyn Error>> {
    let scan = glassine_scanfile::Scan::open(path, &OpenOptions::default())?;
    Ok(scan.read(PixelRect::of_size(scan.width(), scan.height()), &CancelToken::new())?)
}

fn grey(picture: &Samples16, x: i64, y: i64) -> f64 {
    let clamp = |at: i64, size: u32| at.clamp(0, i64::from(size) - 1) as u32;
    let px = picture.pixel(clamp(x, picture.width()), clamp(y, picture.height()));
    px.iter().map(|code| f64::from(*code)).sum::<f64>() / px.len().max(1) as f64 / 65_535.0
}

/// Structural similarity at a pixel, with a uniform window and sample variances.
///
/// Source: Wang, Bovik, Sheikh and Simoncelli, IEEE Trans. Image Processing 13 (2004).
fn ssim_at(a: &Samples16, b: &Samples16, x: u32, y: u32) -> f64 {
    let (mut sum_a, mut sum_b, mut aa, mut bb, mut ab, mut n) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for dy in -SSIM_PX..=SSIM_PX {
        for dx in -SSIM_PX..=SSIM_PX {
            let (x, y) = (i64::from(x) + dx, i64::from(y) + dy);
            let (a, b) = (grey(a, x, y), grey(b, x, y));
            (sum_a, sum_b) = (sum_a + a, sum_b + b);
            (aa, bb, ab) = (aa + a * a, bb + b * b, ab + a * b);
            n += 1.0;
        }
    }
    let (mean_a, mean_b) = (sum_a / n, sum_b / n);
    let sample = |sum: f64, mean: f64| (sum - n * mean) / (n - 1.0);
    let (var_a, var_b, cov) =
        (sample(aa, mean_a * mean_a), sample(bb, mean_b * mean_b), sample(ab, mean_a * mean_b));
    let (c1, c2) = (0.01_f64.powi(2), 0.03_f64.powi(2));
    (2.0 * mean_a * mean_b + c1) * (2.0 * cov + c2)
        / ((mean_a * mean_a + mean_b * mean_b + c1) * (var_a + var_b + c2))
}

fn square_difference(a: &[u16], b: &[u16]) -> f64 {
    let squares = a.iter().zip(b).map(|(a, b)| ((f64::from(*a) - f64::from(*b)) / 65_535.0).powi(2));
    squares.sum::<f64>() / a.len().max(1) as f64
}

/// Compares the exported pictures.
fn judge_pictures(dusty: &Case, truth: &Truth, clean: &Case, sums: &mut Sums) -> Result<(), Box<dyn Error>> {
    let repaired = dusty.pictures("repaired", true)?;
    let unrepaired = dusty.pictures("unrepaired", false)?;
    let target = clean.pictures("target", false)?;
    let near = truth.near(0.02, 4);
    for (i, frame) in dusty.session.frames.iter().enumerate() {
        let (Some(repaired), Some(before), Some(target)) =
            (repaired.get(i), unrepaired.get(i), target.get(i))
        else {
            continue;
        };
        let (w, h) = (repaired.width(), repaired.height());
        for (x, y) in (0..h).flat_map(|y| (0..w).map(move |x| (x, y))) {
            let unit = |at: u32, size: u32| (f64::from(at) + 0.5) / f64::from(size);
            let at = frame.crop.scan_from_unit(unit(x, w), unit(y, h));
            let (sx, sy) = (at.x.max(0.0) as u32, at.y.max(0.0) as u32);
            if sx >= near.width() || sy >= near.height() || truth.judged.at(sx, sy) == 0 {
                continue;
            }
            if truth.damage.at(sx, sy) > 0.08 {
                sums.picture_px += 1.0;
                sums.square_error += square_difference(repaired.pixel(x, y), target.pixel(x, y));
                sums.square_error_before += square_difference(before.pixel(x, y), target.pixel(x, y));
                sums.ssim += ssim_at(repaired, target, x, y);
            } else if near.at(sx, sy) == 0 {
                sums.outside_px += 1.0;
                sums.outside_square += square_difference(repaired.pixel(x, y), before.pixel(x, y));
            }
        }
    }
    Ok(())
}

fn measure(sort: usize, seed: u32, keep: Option<&Path>) -> Result<Sums, Box<dyn Error>> {
    let (spec, format) = draw(sort, seed)?;
    let clean_spec = StripSpec { dirt: Dirt::NONE, ..spec.clone() };
    let dusty_strip = render_strip(&spec, &|_| (), &CancelToken::new())?;
    let clean_strip = render_strip(&clean_spec, &|_| (), &CancelToken::new())?;
    let truth = Truth::new(&dusty_strip, &clean_strip);
    let dusty = Case::new(&dusty_strip, SORTS[sort].0, format)?;
    let mut clean = Case::new(&clean_strip, SORTS[sort].0, format)?;
    // The same settings for both.
    clean.session = Session { scans: clean.session.scans, ..dusty.session.clone() };
    let (map, _) = dusty.map()?;
    let mut sums = Sums::default();
    let (clean_map, clean_px) = clean.map()?;
    sums.clean_px = clean_px as f64;
    truth.judge_map(&map, &mut sums);
    judge_pictures(&dusty, &truth, &clean, &mut sums)?;
    if let Some(keep) = keep {
        keep_planes(keep, seed, (&dusty_strip, &clean_strip), &truth, [&map, &clean_map])?;
        println!("<!-- {format}, {} frames found: {spec:?} -->", dusty.session.frames.len());
    }
    Ok(sums)
}

/// Writes both scans, the damage and the map as files.
fn keep_planes(
    folder: &Path,
    seed: u32,
    (dusty, clean): (&RenderedStrip, &RenderedStrip),
    truth: &Truth,
    [map, clean_map]: [&Plane<u8>; 2],
) -> Result<(), Box<dyn Error>> {
    std::fs::create_dir_all(folder)?;
    let named = |what: &str| folder.join(format!("{seed} {what}"));
    write_rgbi(&named("dusty.tif"), &dusty.samples, dusty.ppi, "dusty", Overwrite::Replace)?;
    write_rgbi(&named("clean.tif"), &clean.samples, clean.ppi, "clean", Overwrite::Replace)?;
    let judged = truth.damage.data().iter().zip(truth.judged.data());
    let damage: Vec<u8> = judged.map(|(damage, judged)| (damage * 255.0) as u8 * judged.min(&1)).collect();
    let planes = [
        ("damage.png", &damage[..]),
        ("classes.png", dusty.truth.defect_class.data()),
        ("map.png", map.data()),
        ("clean map.png", clean_map.data()),
    ];
    for (what, plane) in planes {
        write_png8(&named(what), (map.width(), map.height()), 1, plane)?;
    }
    Ok(())
}

/// Sums of several strips.
fn pooled<'a>(strips: impl Iterator<Item = &'a Sums>) -> Sums {
    let mut all = Sums::default();
    strips.for_each(|sums| all.add(sums));
    all
}

fn print_row(name: &str, count: usize, f: &Figures) {
    println!(
        "| {name} | {count} | {:.3} | {:.3} | {:.3} | {:.1} ({:.1}) | {:.3} | {:.1e} | {:.0} |",
        f.precision, f.recall, f.objects, f.psnr_db, f.psnr_before_db, f.ssim, f.outside, f.clean_px
    );
}

/// Prints the worst value of each figure, and the seed of its strip.
fn print_worst(strips: &[(u32, Figures)]) {
    let worst = |pick: fn(&Figures) -> f64, sign: f64| {
        let least = strips.iter().min_by(|a, b| (sign * pick(&a.1)).total_cmp(&(sign * pick(&b.1))));
        least.map_or((0.0, 0), |(seed, figures)| (pick(figures), *seed))
    };
    let [precision, recall, objects, ssim] = [
        worst(|f| f.precision, 1.0),
        worst(|f| f.recall, 1.0),
        worst(|f| f.objects, 1.0),
        worst(|f| f.ssim, 1.0),
    ]
    .map(|(value, seed)| format!("{value:.3} ({seed})"));
    let psnr = worst(|f| f.psnr_db, 1.0);
    let (outside, clean) = (worst(|f| f.outside, -1.0), worst(|f| f.clean_px, -1.0));
    println!(
        "| worst strip (its seed) | | {precision} | {recall} | {objects} | {:.1} ({}) | {ssim} | {:.1e} ({}) | {:.0} ({}) |",
        psnr.0, psnr.1, outside.0, outside.1, clean.0, clean.1
    );
}

fn main() -> Result<(), Box<dyn Error>> {
    let args = Args::parse();
    println!("# Dust repair on strips drawn at random\n");
    println!(
        "Made by `cargo run --release -p glassine-bench --bin dust`, {} strips of each sort, seeds from {}.\n\n{DEFINITIONS}\n",
        args.each, args.first
    );
    println!(
        "| strips | number | precision | recall | objects | PSNR, dB | SSIM | outside | clean, px |\n|---|---|---|---|---|---|---|---|---|"
    );
    let seeds = |sort: usize| args.first + 1000 * sort as u32..args.first + 1000 * sort as u32 + args.each;
    let jobs: Vec<(usize, u32)> = (0..SORTS.len())
        .flat_map(|sort| seeds(sort).map(move |seed| (sort, seed)))
        .filter(|(_, seed)| args.only.is_none_or(|only| only == *seed))
        .collect();
    let measured: Vec<(usize, u32, Sums)> = jobs
        .into_iter()
        .map(|(sort, seed)| Ok((sort, seed, measure(sort, seed, args.keep.as_deref())?)))
        .collect::<Result<_, Box<dyn Error>>>()?;
    for (sort, (_, _, name)) in SORTS.iter().enumerate() {
        let of_sort = || measured.iter().filter(|(of, ..)| *of == sort);
        if args.each_strip {
            of_sort().for_each(|(_, seed, sums)| print_row(&format!("seed {seed}"), 1, &sums.figures()));
        }
        if of_sort().next().is_some() {
            print_row(name, of_sort().count(), &pooled(of_sort().map(|(.., sums)| sums)).figures());
        }
    }
    let strips: Vec<(u32, Figures)> =
        measured.iter().map(|(_, seed, sums)| (*seed, sums.figures())).collect();
    let all = pooled(measured.iter().map(|(.., sums)| sums));
    print_row("all", strips.len(), &all.figures());
    print_worst(&strips);
    Ok(())
}

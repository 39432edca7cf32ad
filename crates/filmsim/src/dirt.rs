//! Dust, hairs and scratches: drawn once into planes that both damage the scan and record the truth about it.

use rayon::prelude::*;

use crate::noise::{Dice, value2};
use crate::strip::{Defect, StripSpec};

/// Damage at one pixel.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Cover {
    /// Share of visible light blocked, 255 = all.
    pub(crate) visible: u8,
    /// Share of infrared light blocked.
    pub(crate) infrared: u8,
    /// Share of image layers scratched off, 255 = all.
    pub(crate) lifted: u8,
    /// [`Defect`] code.
    pub(crate) class: u8,
}

/// A stroke of round dabs: specks have one, hairs and scratches many.
#[derive(Debug)]
struct Stroke {
    class: Defect,
    /// Scan positions and half widths, pixels.
    dabs: Vec<[f32; 3]>,
    visible: f32,
    infrared: f32,
    lifted: f32,
    /// Irregularity of the outline, as a fraction of the half width.
    ragged: f32,
    seed: u32,
}

/// All dirt of a strip, one cover per pixel.
pub(crate) fn draw(spec: &StripSpec, width: u32, height: u32) -> Vec<Cover> {
    let mut covers = vec![Cover::default(); width as usize * height as usize];
    let strokes = strokes(spec);
    const BAND: usize = 128;
    covers.par_chunks_mut(width as usize * BAND).enumerate().for_each(|(band, rows)| {
        let y0 = band * BAND;
        for stroke in &strokes {
            stamp(stroke, rows, width as usize, y0);
        }
    });
    covers
}

/// Draw the part of a stroke inside a band of rows.
fn stamp(stroke: &Stroke, rows: &mut [Cover], width: usize, y0: usize) {
    let n_rows = rows.len() / width;
    let (first, last) = (y0 as f32, (y0 + n_rows) as f32);
    for dab in &stroke.dabs {
        let [cx, cy, radius] = *dab;
        let reach = radius * (1.0 + stroke.ragged) + 1.0;
        if cy + reach < first || cy - reach > last || cx + reach < 0.0 || cx - reach > width as f32 {
            continue;
        }
        let row_range = ((cy - reach).max(first) as usize - y0)
            ..(((cy + reach + 1.0).min(last)) as usize).saturating_sub(y0);
        let x_range = ((cx - reach).max(0.0) as usize)..((cx + reach + 1.0) as usize).min(width);
        for row in row_range {
            for x in x_range.clone() {
                let (dx, dy) = (x as f32 + 0.5 - cx, (row + y0) as f32 + 0.5 - cy);
                let turn = dy.atan2(dx);
                let outline =
                    1.0 + stroke.ragged * value2(turn.cos() * 1.7 + 9.0, turn.sin() * 1.7, stroke.seed);
                // Narrow strokes cover a pixel only in part.
                let inside = (radius * outline - dx.hypot(dy) + 0.5).clamp(0.0, 1.0).min(2.0 * radius);
                if inside <= 0.0 {
                    continue;
                }
                let cover = &mut rows[row * width + x];
                let code = |strength: f32| (255.0 * strength * inside).round().clamp(0.0, 255.0) as u8;
                if code(stroke.visible.max(stroke.lifted)) >= cover.visible.max(cover.lifted) {
                    cover.class = stroke.class as u8;
                }
                cover.visible = cover.visible.max(code(stroke.visible));
                cover.infrared = cover.infrared.max(code(stroke.infrared));
                cover.lifted = cover.lifted.max(code(stroke.lifted));
            }
        }
    }
}

fn strokes(spec: &StripSpec) -> Vec<Stroke> {
    let mut dice = Dice::new(u64::from(spec.seed) ^ 0xD1A7);
    let mut all = Vec::new();
    for _ in 0..spec.dirt.specks {
        all.push(speck(spec, &mut dice));
    }
    for _ in 0..spec.dirt.hairs {
        all.push(hair(spec, &mut dice));
    }
    for _ in 0..spec.dirt.base_scratches {
        all.push(scratch(spec, &mut dice, Defect::BaseScratch));
    }
    for _ in 0..spec.dirt.emulsion_scratches {
        all.push(scratch(spec, &mut dice, Defect::EmulsionScratch));
    }
    for _ in 0..spec.dirt.emulsion_lines {
        all.push(line(spec, &mut dice));
    }
    all
}

fn on_film(spec: &StripSpec, dice: &mut Dice) -> [f64; 2] {
    let half = |mm: f64| mm as f32 * 0.49;
    [
        f64::from(dice.range(-half(spec.film_mm[0]), half(spec.film_mm[0]))),
        f64::from(dice.range(-half(spec.film_mm[1]), half(spec.film_mm[1]))),
    ]
}

fn speck(spec: &StripSpec, dice: &mut Dice) -> Stroke {
    let [u, v] = on_film(spec, dice);
    // Many small ones, few large: log-normal about 0.028 mm.
    let radius_mm = 0.028 * (0.55 * dice.normal()).exp().min(4.5);
    let p = spec.scan_from_film(u, v);
    let opacity = dice.range(0.45, 0.97);
    Stroke {
        class: Defect::Dust,
        dabs: vec![[p.x as f32, p.y as f32, radius_mm * spec.px_per_mm() as f32]],
        visible: opacity,
        infrared: (opacity * dice.range(0.94, 1.02)).min(1.0),
        lifted: 0.0,
        ragged: 0.45,
        seed: dice.bits(),
    }
}

fn hair(spec: &StripSpec, dice: &mut Dice) -> Stroke {
    let [mut u, mut v] = on_film(spec, dice);
    let length_mm = dice.range(0.9, 4.5);
    let half_width_px = dice.range(0.008, 0.014) * spec.px_per_mm() as f32;
    let step_mm = 0.45 / spec.px_per_mm();
    let mut heading = dice.range(0.0, std::f32::consts::TAU);
    let mut bend = dice.range(-0.9, 0.9);
    let mut dabs = Vec::new();
    for _ in 0..(f64::from(length_mm) / step_mm) as usize {
        let p = spec.scan_from_film(u, v);
        dabs.push([p.x as f32, p.y as f32, half_width_px]);
        bend = (bend + 0.25 * dice.normal() * (step_mm as f32).sqrt()).clamp(-1.8, 1.8);
        heading += bend * step_mm as f32;
        u += f64::from(heading.cos()) * step_mm;
        v += f64::from(heading.sin()) * step_mm;
    }
    let opacity = dice.range(0.6, 0.9);
    Stroke {
        class: Defect::Hair,
        dabs,
        visible: opacity,
        infrared: opacity,
        lifted: 0.0,
        ragged: 0.0,
        seed: 0,
    }
}

fn scratch(spec: &StripSpec, dice: &mut Dice, class: Defect) -> Stroke {
    let [u, v] = on_film(spec, dice);
    let deep = class == Defect::EmulsionScratch;
    let length_mm = f64::from(if deep { dice.range(2.0, 9.0) } else { dice.range(12.0, 70.0) });
    let slope = f64::from(if deep { dice.range(-0.5, 0.5) } else { dice.range(-0.012, 0.012) });
    let half_width_px = dice.range(0.006, 0.011) * spec.px_per_mm() as f32;
    let step_mm = 0.5 / spec.px_per_mm();
    let seed = dice.bits();
    let half_film = spec.film_mm[0] / 2.0;
    let mut dabs = Vec::new();
    for i in 0..(length_mm / step_mm) as usize {
        let along = i as f64 * step_mm;
        // The scratching point skips where the film was hollow.
        let pressure = value2(along as f32 * 0.6, 0.5, seed) + 0.55;
        if pressure > 0.0 && (u + along).abs() < half_film {
            let p = spec.scan_from_film(
                u + along,
                v + slope * along + 0.05 * f64::from(value2(along as f32 * 0.2, 3.5, seed)),
            );
            dabs.push([p.x as f32, p.y as f32, half_width_px * pressure.min(1.0)]);
        }
    }
    let depth = dice.range(0.5, 0.95);
    if deep {
        Stroke { class, dabs, visible: 0.0, infrared: 0.25, lifted: depth, ragged: 0.0, seed }
    } else {
        Stroke { class, dabs, visible: 0.35 * depth, infrared: 0.5 * depth, lifted: 0.0, ragged: 0.0, seed }
    }
}

/// A line torn through the emulsion by grit in a camera or a squeegee: straight except for a slow wave, along or across
/// the film, and almost absent in the infrared, to which dyes are nearly clear. Widths and lengths are ours.
fn line(spec: &StripSpec, dice: &mut Dice) -> Stroke {
    let [mut u, mut v] = on_film(spec, dice);
    let is_along = dice.range(0.0, 1.0) < 0.6;
    let heading = dice.range(-0.04, 0.04) + if is_along { 0.0 } else { std::f32::consts::FRAC_PI_2 };
    let length_mm = f64::from(dice.range(6.0, 45.0));
    let half_width_px = dice.range(0.012, 0.035) * spec.px_per_mm() as f32;
    let step_mm = (0.5 / spec.px_per_mm()).min(0.05);
    let seed = dice.bits();
    let mut dabs = Vec::new();
    for i in 0..(length_mm / step_mm) as usize {
        let along = (i as f64 * step_mm) as f32;
        let turned = heading + 0.01 * value2(along * 0.3, 3.5, seed);
        u += f64::from(turned.cos()) * step_mm;
        v += f64::from(turned.sin()) * step_mm;
        let pressure = (value2(along * 0.4, 0.5, seed) + 0.75).min(1.0);
        if pressure > 0.0 && u.abs() < spec.film_mm[0] / 2.0 && v.abs() < spec.film_mm[1] / 2.0 {
            let p = spec.scan_from_film(u, v);
            dabs.push([p.x as f32, p.y as f32, half_width_px * pressure]);
        }
    }
    Stroke {
        class: Defect::EmulsionScratch,
        dabs,
        visible: 0.0,
        infrared: dice.range(0.004, 0.04),
        lifted: dice.range(0.45, 1.0),
        ragged: 0.0,
        seed,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dirt_lies_on_the_film_and_is_the_same_every_time() {
        let spec = crate::demo::demo_spec("harbour", 150.0).expect("the harbour strip exists");
        let (w, h) = spec.size_px();
        let a = draw(&spec, w, h);
        let covered = a.iter().filter(|c| c.class > 0).count() as f64 / a.len() as f64;
        assert!((1e-4..0.02).contains(&covered), "covered fraction {covered}");
        assert!(a == draw(&spec, w, h));
    }
}

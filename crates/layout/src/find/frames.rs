//! The row of frames along a strip: the set of positions that explains the signal best.
//!
//! Every column of the image band gives three numbers: how much image it holds, how clearly an image starts there and
//! how clearly one ends. A frame of length L earns its two edges and its content; content outside every frame costs.
//! Dynamic programming finds the best row for each candidate length; frames may overlap, and some edges may be unseen.

use glassine_raster::Plane;

use super::rows::Band;

/// A step of this density at the edge counts as fully seen. Ours: faint frames at 0.03 D still score a third.
const FULL_STEP_D: f32 = 0.08;
/// Image at this density counts as full content. Our choice: twice a faint frame's density.
const FULL_CONTENT_D: f32 = 0.06;
/// What a frame must earn to be accepted; an empty stretch earns nothing. Our choice: edges worth half
/// of one, or content over half of it, pay for a frame; lower finds frames in fog, higher loses faint ones.
const FRAME_COST: f32 = 0.45;
/// Cost of a frame's worth of content left outside. Our choice: more than the content of a frame earns (0.8).
const OUTSIDE_COST: f32 = 1.5;
/// Relative difference allowed between the length of a frame and the candidate. Our choice: candidates are 4 % apart
/// (`recognise.rs`), so together they cover all lengths.
const LENGTH_TOLERANCE: f64 = 0.025;
/// Largest share of a frame that may overlap its neighbour. Our choice: more would be a double exposure.
const OVERLAP_MOST: f64 = 0.15;

/// Evidence for each column border `0..=w` and each column `0..w`.
#[derive(Debug, Clone)]
pub(super) struct Columns {
    pub(super) starts: Vec<f32>,
    pub(super) ends: Vec<f32>,
    pub(super) content: Vec<f32>,
    content_sum: Vec<f32>,
    gap_sum: Vec<f32>,
    /// First and last column (half open) that show film.
    pub(super) film: (usize, usize),
}

/// One frame along the strip, working pixels of the upright plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Span {
    pub(super) a: f64,
    pub(super) b: f64,
    /// How clearly the start and the end are seen, 0 to 1.
    pub(super) start: f32,
    pub(super) end: f32,
    /// Mean content, 0 to 1.
    pub(super) content: f32,
    /// Cut off at its start or its end by the end of the film.
    pub(super) cut_start: bool,
    pub(super) cut_end: bool,
    /// Placed only from its neighbours.
    pub(super) inferred: bool,
}

impl Span {
    pub(super) fn length(&self) -> f64 {
        self.b - self.a
    }
}

/// A row of frames and how well it explains the strip.
#[derive(Debug, Clone)]
pub(super) struct Row {
    pub(super) spans: Vec<Span>,
    /// Mean edge evidence less the share of content left outside; about 1 for a clear strip.
    pub(super) fit: f32,
}

impl Columns {
    /// Collects the evidence of the band.
    pub(super) fn new(plane: &Plane<f32>, band: &Band, noise_d: f32) -> Self {
        let (w, h) = (plane.width() as usize, plane.height() as usize);
        // Corners and a turn of the frame stay outside. Our choice.
        let inset = band.height() * 0.03 + 1.0;
        let j0 = ((band.v0 + inset).max(0.0) as usize).min(h.saturating_sub(1));
        let j1 = ((band.v1 - inset).max(0.0) as usize).clamp(j0 + 1, h.max(j0 + 1));
        let rows: Vec<&[f32]> = (j0..j1.min(h)).map(|j| plane.row(j as u32)).collect();
        // Three times the noise, at most full content. Our choice.
        let clear_limit = (noise_d * 3.0).clamp(0.012, 0.06);
        let (mut content, mut clear, mut film) = (vec![0.0; w], vec![0.0; w], vec![0.0; w]);
        for i in 0..w {
            let (mut c, mut b, mut n) = (0.0_f32, 0.0_f32, 0.0_f32);
            for s in rows.iter().map(|r| r[i]).filter(|s| s.is_finite()) {
                c += ((s - clear_limit * 0.5) / FULL_CONTENT_D).clamp(0.0, 1.0);
                b += f32::from(u8::from(s < clear_limit));
                n += 1.0;
            }
            if n > 0.0 {
                content[i] = c / n * (n / rows.len() as f32);
                clear[i] = b / n;
                film[i] = n / rows.len() as f32;
            }
        }
        let film_range = (
            film.iter().position(|f| *f > 0.5).unwrap_or(0),
            film.iter().rposition(|f| *f > 0.5).map_or(0, |i| i + 1),
        );
        let (starts, ends) = edge_evidence(&rows, &clear, w);
        // Only an end near half of a full one, the strongest in four columns, shows that a frame is over. Our choice.
        let content_sum = running_sum(&content);
        let peaks: Vec<f32> = (0..w)
            .map(|i| {
                let peak = ends[i] > 0.45
                    && (i.saturating_sub(4)..(i + 5).min(w))
                        .all(|k| ends[k] < ends[i] || (ends[k] == ends[i] && k >= i));
                if peak { ends[i] } else { 0.0 }
            })
            .collect();
        Self { gap_sum: running_sum(&peaks), starts, ends, content_sum, content, film: film_range }
    }

    fn width(&self) -> usize {
        self.content.len()
    }

    /// Sum of content over columns `a..b`.
    fn content_between(&self, a: usize, b: usize) -> f32 {
        let w = self.width();
        if b > a { self.content_sum[b.min(w)] - self.content_sum[a.min(w)] } else { 0.0 }
    }

    pub(super) fn mean_content(&self, a: f64, b: f64) -> f32 {
        let (a, b) = (a.max(0.0).round() as usize, b.max(0.0).round() as usize);
        self.content_between(a, b) / (b.saturating_sub(a)).max(1) as f32
    }

    /// Sum of clear image ends well inside `a..b`; a frame that runs over a gap is too long.
    fn gaps_inside(&self, a: usize, b: usize) -> f32 {
        let w = self.width();
        // The outer twelfths may hold the frame's own edges. Our choice.
        let inset = (b - a) / 12;
        let (a, b) = ((a + inset).min(w), (b - inset).min(w));
        if b > a { self.gap_sum[b] - self.gap_sum[a] } else { 0.0 }
    }

    /// Position and value of the strongest evidence within `reach` of `at`.
    pub(super) fn strongest(evidence: &[f32], at: f64, reach: f64) -> (f64, f32) {
        let n = evidence.len();
        let (lo, hi) = (
            (at - reach).ceil().max(0.0) as usize,
            ((at + reach).floor().max(0.0) as usize).min(n.saturating_sub(1)),
        );
        let range = lo..(hi + 1).min(n);
        let Some(peak) = range.clone().max_by(|&a, &b| evidence[a].total_cmp(&evidence[b])) else {
            return (at, 0.0);
        };
        let most = evidence[peak];
        if most <= 0.0 {
            return (at, 0.0);
        }
        // The evidence spans a few pixels on both sides, so a sharp edge gives a plateau: take its middle. Our choice:
        // within 7 % of the top counts as plateau.
        let on = |&i: &usize| evidence[i] >= 0.93 * most;
        let first = (range.start..=peak).rev().take_while(on).last().unwrap_or(peak);
        let last = (peak..range.end).take_while(on).last().unwrap_or(peak);
        (first.midpoint(last) as f64 + 0.5 * ((last - first) % 2) as f64, most)
    }
}

fn running_sum(values: &[f32]) -> Vec<f32> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    let mut sum = 0.0;
    sums.push(0.0);
    for v in values {
        sum += v;
        sums.push(sum);
    }
    sums
}

/// For every column border, the share of rows that step up (an image starts) or down (it ends) there.
fn edge_evidence(rows: &[&[f32]], clear: &[f32], w: usize) -> (Vec<f32>, Vec<f32>) {
    let (mut starts, mut ends) = (vec![0.0_f32; w + 1], vec![0.0_f32; w + 1]);
    for b in 4..w.saturating_sub(3) {
        let (mut sum, mut n) = (0.0_f32, 0_u32);
        for r in rows {
            let left = (r[b - 2] + r[b - 3] + r[b - 4]) / 3.0;
            let right = (r[b + 1] + r[b + 2] + r[b + 3]) / 3.0;
            let step = right - left;
            if step.is_finite() {
                sum += (step / FULL_STEP_D).clamp(-1.0, 1.0);
                n += 1;
            }
        }
        if n as usize * 3 < rows.len() {
            continue;
        }
        let step = sum / n as f32;
        // A step without clear film beside it (frames that touch) counts for about a third. Our choice.
        starts[b] = step.max(0.0) * (0.35 + 0.65 * clear[b - 3]);
        ends[b] = (-step).max(0.0) * (0.35 + 0.65 * clear[b + 2]);
    }
    (starts, ends)
}

/// Largest value within `reach` of every index.
fn local_most(values: &[f32], reach: usize) -> Vec<f32> {
    (0..values.len())
        .map(|i| {
            values[i.saturating_sub(reach)..(i + reach + 1).min(values.len())]
                .iter()
                .copied()
                .fold(0.0, f32::max)
        })
        .collect()
}

/// The best row of frames of `length` working pixels.
pub(super) fn best_row(columns: &Columns, length: f64) -> Row {
    let w = columns.width();
    let len = length.round() as usize;
    // A frame may be 5 % longer than its film is seen, and end 2.5 % outside it. Our choice: soft ends of the film.
    if len < 8 || len > columns.film.1.saturating_sub(columns.film.0) + len / 20 {
        return Row { spans: Vec::new(), fit: -1.0 };
    }
    let reach = (length * LENGTH_TOLERANCE).ceil() as usize;
    let late = local_most(&columns.ends, reach);
    let last_start = (columns.film.1 + len / 40).saturating_sub(len);
    let first_start = columns.film.0.saturating_sub(len / 40);
    // Two edges of at most 1 each outweigh the content (0.8); one seen end inside refutes the frame (1.2). Our choice.
    let own = |a: usize| {
        let b = a + len;
        columns.starts[a.min(w)] + late[b.min(w)] + 0.8 * columns.content_between(a, b) / len as f32
            - FRAME_COST
            - 1.2 * columns.gaps_inside(a, b)
    };
    let outside = |a: usize, b: usize| OUTSIDE_COST * columns.content_between(a, b) / len as f32;
    let overlap = (length * OVERLAP_MOST) as usize;
    // value[k]: best row whose last frame starts at first_start + k; from[k]: the frame before it.
    let count = last_start.saturating_sub(first_start) + 1;
    let mut value = vec![0.0_f32; count];
    let mut from: Vec<Option<usize>> = vec![None; count];
    // A frame that ended before `a` pays for the content between. Content adds up, so the best such frame is the one
    // with the largest `value + cost so far`, tracked while `a` advances; only overlapping frames are compared one by
    // one.
    let so_far = |x: usize| outside(0, x);
    let mut best_before: Option<(f32, usize)> = None;
    for k in 0..count {
        let a = first_start + k;
        if let Some(p) = k.checked_sub(len) {
            let worth = value[p] + so_far(first_start + p + len);
            if best_before.is_none_or(|(b, _)| worth > b) {
                best_before = Some((worth, p));
            }
        }
        let mut best = -outside(0, a);
        let mut link = None;
        if let Some((worth, p)) = best_before.filter(|(worth, _)| worth - so_far(a) > best) {
            (best, link) = (worth - so_far(a), Some(p));
        }
        let overlapping = (k + 1).saturating_sub(len)..(k + overlap + 1).saturating_sub(len);
        for (p, v) in value.iter().enumerate().take(overlapping.end.min(k)).skip(overlapping.start) {
            let shared = (p + len - k) as f32 / len as f32;
            let score = v - 2.0 * shared;
            if score > best {
                (best, link) = (score, Some(p));
            }
        }
        value[k] = best + own(a);
        from[k] = link;
    }
    let close = |k: usize| value[k] - outside(first_start + k + len, w);
    let Some(mut k) = (0..count).max_by(|a, b| close(*a).total_cmp(&close(*b))) else {
        return Row { spans: Vec::new(), fit: -1.0 };
    };
    if close(k) <= -outside(0, w) {
        return Row { spans: Vec::new(), fit: -1.0 };
    }
    let mut starts = Vec::new();
    loop {
        starts.push(first_start + k);
        match from[k] {
            Some(p) => k = p,
            None => break,
        }
    }
    starts.reverse();
    finish(columns, &starts, length)
}

fn finish(columns: &Columns, starts: &[usize], length: f64) -> Row {
    let spans: Vec<Span> = starts.iter().map(|&a| settle(columns, a as f64, length)).collect();
    let total = columns.content_between(0, columns.width());
    let mut covered = 0.0;
    let mut until = 0_usize;
    let mut gaps = 0.0;
    for s in &spans {
        let (a, b) = ((s.a as usize).max(until), s.b as usize);
        covered += columns.content_between(a, b);
        until = b;
        gaps += columns.gaps_inside(s.a as usize, b.max(s.a as usize));
    }
    let edges = spans.iter().map(|s| (s.start + s.end) / 2.0).sum::<f32>() / spans.len().max(1) as f32;
    let left = if total > 0.0 { 1.0 - covered / total } else { 0.0 };
    Row { fit: edges - left - gaps / spans.len().max(1) as f32, spans }
}

/// Moves both edges of a frame to the strongest evidence nearby; an unseen edge keeps the length.
pub(super) fn settle(columns: &Columns, a: f64, length: f64) -> Span {
    let reach = (length * LENGTH_TOLERANCE).max(3.0);
    let (mut start, s) = Columns::strongest(&columns.starts, a, reach);
    let (mut end, e) = Columns::strongest(&columns.ends, a + length, reach);
    // Evidence below 0.1 counts as unseen. Our choice.
    if s < 0.1 && e >= 0.1 {
        start = end - length;
    }
    if e < 0.1 {
        end = start + length;
    }
    Span {
        a: start,
        b: end,
        start: s,
        end: e,
        content: columns.mean_content(start, end),
        cut_start: false,
        cut_end: false,
        inferred: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A band of 60 rows with the given images: (from, to, density).
    fn strip(w: u32, images: &[(u32, u32, f32)]) -> Columns {
        let mut p = Plane::filled(w, 60, 0.0_f32);
        for j in 0..60 {
            for (i, s) in p.row_mut(j).iter_mut().enumerate() {
                // A little structure so that columns differ.
                let wave = 0.7 + 0.3 * ((i as f32 * 0.37).sin() * (j as f32 * 0.23).cos());
                *s = images
                    .iter()
                    .filter(|(a, b, _)| (*a..*b).contains(&(i as u32)))
                    .map(|x| x.2 * wave)
                    .sum();
            }
        }
        Columns::new(&p, &Band { v0: 0.0, v1: 60.0, confidence: 1.0 }, 0.003)
    }

    #[test]
    fn an_ordinary_row_is_found_exactly() {
        let c = strip(500, &[(20, 130, 0.6), (140, 250, 0.9), (262, 372, 0.4)]);
        let row = best_row(&c, 110.0);
        let at: Vec<(f64, f64)> = row.spans.iter().map(|s| (s.a, s.b)).collect();
        assert_eq!(at.len(), 3, "{at:?}");
        for (found, real) in at.iter().zip([(20.0, 130.0), (140.0, 250.0), (262.0, 372.0)]) {
            assert!((found.0 - real.0).abs() <= 2.0 && (found.1 - real.1).abs() <= 2.0, "{at:?}");
        }
        assert!(row.fit > 0.8, "{}", row.fit);
    }

    #[test]
    fn the_true_length_explains_the_strip_better_than_others() {
        let c = strip(500, &[(20, 130, 0.6), (140, 250, 0.9), (262, 372, 0.4)]);
        let right = best_row(&c, 110.0).fit;
        for wrong in [55.0, 75.0, 90.0, 150.0, 230.0] {
            assert!(best_row(&c, wrong).fit < right - 0.15, "{wrong}");
        }
    }

    #[test]
    fn overlapping_and_faint_frames_are_still_two_and_one() {
        let c = strip(500, &[(20, 130, 0.6), (124, 234, 0.5), (250, 360, 0.03)]);
        let row = best_row(&c, 110.0);
        assert_eq!(row.spans.len(), 3, "{:?}", row.spans);
        assert!((row.spans[1].a - 124.0).abs() <= 3.0 && (row.spans[2].a - 250.0).abs() <= 3.0);
    }

    #[test]
    fn an_empty_strip_has_no_frames() {
        assert!(best_row(&strip(400, &[]), 100.0).spans.is_empty());
    }
}

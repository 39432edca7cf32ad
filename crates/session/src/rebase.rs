//! Applies the edits that a job made on an older state of a session to the session at the time they arrive.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use glassine_raster::TiltedBox;

use crate::edit::{Edit, FoundStripEdit, Relink, Rescanned, ScaleShift};
use crate::model::{FrameId, OutputSettings, ScanId, ScanRef, Session, StripId};

/// Result of rebasing the edits of a job.
#[derive(Debug, Clone, PartialEq)]
pub struct Rebased {
    /// The current session with every part that still applies.
    pub session: Session,
    /// The edits that lead there from the current session.
    pub applied: Vec<Edit>,
    /// Messages for the user about what was left out.
    pub dropped: Vec<String>,
}

/// Apply `edits`, which a job computed one after the other on `base`, to `current`.
///
/// Parts that name a scan, strip or frame that no longer exists are left out with a message; the rest is kept. Ids that
/// the edits assigned are mapped to those assigned now. Where an edit only carries a value along, the user's change in
/// the meantime wins; frames that the user drew on a scan that is searched stay.
pub fn rebase(base: &Session, edits: &[Edit], current: &Session) -> Rebased {
    let mut work = Work {
        draft: base.clone(),
        now: current.clone(),
        scans: base.scans.iter().map(|s| (s.id, current.scan(s.id).map(|s| s.id))).collect(),
        strips: base.strips.iter().map(|s| (s.id, current.strip(s.id).map(|s| s.id))).collect(),
        frames: base.frames.iter().map(|f| (f.id, current.frame(f.id).map(|f| f.id))).collect(),
        stocks: BTreeMap::new(),
        applied: Vec::new(),
        dropped: Vec::new(),
    };
    for edit in edits {
        work.take(edit);
    }
    Rebased { session: work.now, applied: work.applied, dropped: work.dropped }
}

/// The job's own state and the current session side by side, with the mapping of ids from one to the other.
struct Work {
    draft: Session,
    now: Session,
    scans: BTreeMap<ScanId, Option<ScanId>>,
    strips: BTreeMap<StripId, Option<StripId>>,
    frames: BTreeMap<FrameId, Option<FrameId>>,
    stocks: BTreeMap<String, String>,
    applied: Vec<Edit>,
    dropped: Vec<String>,
}

/// Ids in the order they were assigned.
#[derive(Debug, Default)]
struct Ids {
    scans: BTreeSet<ScanId>,
    strips: BTreeSet<StripId>,
    frames: BTreeSet<FrameId>,
}

impl Ids {
    fn of(session: &Session) -> Self {
        Self {
            scans: session.scans.iter().map(|s| s.id).collect(),
            strips: session.strips.iter().map(|s| s.id).collect(),
            frames: session.frames.iter().map(|f| f.id).collect(),
        }
    }
}

/// Result of [`Work::translate`]: the edit, and which of the frames it finds were left out of it.
struct Translated {
    edit: Edit,
    left_out: BTreeSet<usize>,
}

impl From<Edit> for Translated {
    fn from(edit: Edit) -> Self {
        Self { edit, left_out: BTreeSet::new() }
    }
}

impl Work {
    fn take(&mut self, edit: &Edit) {
        let translated = self.translate(edit);
        let (draft_before, now_before) = (Ids::of(&self.draft), Ids::of(&self.now));
        let left_out = |error| format!("{}: {error}; it was left out", edit.label());
        match edit.apply(&self.draft) {
            Ok(after) => self.draft = after,
            Err(error) => return self.tell(left_out(error)),
        }
        let mut skipped = BTreeSet::new();
        if let Some(translated) = translated {
            match translated.edit.apply(&self.now) {
                Ok(after) => {
                    self.now = after;
                    self.applied.push(translated.edit);
                    skipped = translated.left_out;
                }
                Err(error) => self.tell(left_out(error)),
            }
        }
        self.map_new(&draft_before, &now_before, &skipped);
    }

    /// Pair the ids that an edit assigned in both sessions. Ids assigned in the job's session alone map to nothing; the
    /// reason has been reported.
    fn map_new(&mut self, draft_before: &Ids, now_before: &Ids, left_out: &BTreeSet<usize>) {
        let (draft, now) = (Ids::of(&self.draft), Ids::of(&self.now));
        let given = now.scans.difference(&now_before.scans).copied();
        self.scans.extend(draft.scans.difference(&draft_before.scans).copied().zip(given).map(paired));
        let given = now.strips.difference(&now_before.strips).copied();
        self.strips.extend(draft.strips.difference(&draft_before.strips).copied().zip(given).map(paired));
        let given = now.frames.difference(&now_before.frames).copied();
        let found = draft.frames.difference(&draft_before.frames).copied().enumerate();
        let found = found.filter(|(idx, _)| !left_out.contains(idx)).map(|(_, id)| id);
        self.frames.extend(found.zip(given).map(paired));
        // What the job itself removed need not be reported later.
        self.scans.retain(|id, _| draft.scans.contains(id));
        self.strips.retain(|id, _| draft.strips.contains(id));
        self.frames.retain(|id, _| draft.frames.contains(id));
    }

    /// The edit in ids of the current session, without the parts that have no place in it.
    fn translate(&mut self, edit: &Edit) -> Option<Translated> {
        let edit = match edit {
            Edit::SetTitle(_) | Edit::AddScans(_) | Edit::Renumber { .. } | Edit::SetHalfNumbers(_) => {
                edit.clone()
            }
            Edit::JoinScans { scans, joined } => {
                let scans = scans.iter().map(|id| self.scan(*id)).collect::<Option<_>>()?;
                Edit::JoinScans { scans, joined: joined.clone() }
            }
            Edit::Rescan { scan, to_new, frames } => self.rescan(scan, *to_new, frames)?,
            Edit::UpdateScan(scan) => Edit::UpdateScan(self.scan_update(scan)?),
            Edit::RelinkScans(places) => Edit::RelinkScans(self.relinks(places)?),
            Edit::ReplaceStrips { .. } => return self.replaced_strips(edit),
            Edit::SetParam { frames, param, value } => {
                Edit::SetParam { frames: self.frames(frames)?, param: *param, value: *value }
            }
            Edit::PasteLook { frames, look, groups } => {
                Edit::PasteLook { frames: self.frames(frames)?, look: look.clone(), groups: groups.clone() }
            }
            Edit::SetCrops(crops) => Edit::SetCrops(self.with_frames(crops)?),
            Edit::SetHeld { frame, held } => Edit::SetHeld { frame: self.frame(*frame)?, held: *held },
            Edit::SetOrientations(turns) => Edit::SetOrientations(self.with_frames(turns)?),
            Edit::AddFrame { strip, frame, look } => {
                Edit::AddFrame { strip: self.strip(*strip, edit)?, frame: frame.clone(), look: look.clone() }
            }
            // A frame that is already gone needs no deletion.
            Edit::DeleteFrames(frames) => {
                let there: Vec<_> =
                    frames.iter().filter_map(|id| self.frames.get(id).copied().flatten()).collect();
                (frames.is_empty() || !there.is_empty()).then_some(Edit::DeleteFrames(there))?
            }
            Edit::AddRoll { roll, strips } => {
                Edit::AddRoll { roll: roll.clone(), strips: self.strips_of(strips) }
            }
            Edit::UpdateRoll(_) => edit.clone(),
            Edit::AssignRoll { strips, roll } => {
                Edit::AssignRoll { strips: self.strips_of(strips), roll: *roll }
            }
            Edit::OrderStrips(order) => Edit::OrderStrips(self.strips_of(order)),
            Edit::SetFacts(facts) => Edit::SetFacts(self.with_frames(facts)?),
            Edit::SetMark { frames, mark } => Edit::SetMark { frames: self.frames(frames)?, mark: *mark },
            Edit::SwitchGroup { frames, group, is_off } => {
                Edit::SwitchGroup { frames: self.frames(frames)?, group: *group, is_off: *is_off }
            }
            Edit::TurnStrip { strip, mirror, half_turn } => {
                Edit::TurnStrip { strip: self.strip(*strip, edit)?, mirror: *mirror, half_turn: *half_turn }
            }
            Edit::SetFrameName { frame, name } => {
                Edit::SetFrameName { frame: self.frame(*frame)?, name: name.clone() }
            }
            Edit::SetGuardMargin { frames, margin_px } => {
                Edit::SetGuardMargin { frames: self.frames(frames)?, margin_px: *margin_px }
            }
            Edit::MoveFrame { frame, to } => {
                let to = self.place_for(*frame, *to);
                Edit::MoveFrame { frame: self.frame(*frame)?, to }
            }
            Edit::SetFilm { strip, film, stock_id } => Edit::SetFilm {
                strip: self.strip(*strip, edit)?,
                film: *film,
                stock_id: self.stock(stock_id),
            },
            Edit::AddStock(stock) => self.added_stock(stock),
            Edit::SetStock { strip, stock_id } => {
                Edit::SetStock { strip: self.strip(*strip, edit)?, stock_id: self.stock(stock_id) }
            }
            Edit::SetFormat { strip, format_id } => {
                Edit::SetFormat { strip: self.strip(*strip, edit)?, format_id: format_id.clone() }
            }
            Edit::SetBase { strip, base } => {
                Edit::SetBase { strip: self.strip(*strip, edit)?, base: base.clone() }
            }
            Edit::SetMaskTolerance { strip, tolerance_d } => {
                Edit::SetMaskTolerance { strip: self.strip(*strip, edit)?, tolerance_d: *tolerance_d }
            }
            Edit::SetUnmixStrength { strip, strength } => {
                Edit::SetUnmixStrength { strip: self.strip(*strip, edit)?, strength: *strength }
            }
            Edit::SetBalance { strip, balance } => {
                Edit::SetBalance { strip: self.strip(*strip, edit)?, balance: *balance }
            }
            Edit::ApplySolve { strip, solve, frames } => Edit::ApplySolve {
                strip: self.strip(*strip, edit)?,
                solve: solve.clone(),
                frames: self.with_frames(frames).unwrap_or_default(),
            },
            Edit::SetOutput(output) => Edit::SetOutput(self.output_update(output)),
            Edit::AddStroke { frame, stroke } => {
                Edit::AddStroke { frame: self.frame(*frame)?, stroke: stroke.clone() }
            }
            Edit::ClearStrokes(frames) => Edit::ClearStrokes(self.frames(frames)?),
        };
        Some(edit.into())
    }

    /// New places of the scans that are still there.
    fn relinks(&mut self, places: &[Relink]) -> Option<Vec<Relink>> {
        let there =
            places.iter().filter_map(|place| Some(Relink { scan: self.scan(place.scan)?, ..place.clone() }));
        some(there.collect())
    }

    /// Frames that were scanned again, if every strip of them is still there: new strips are paired in their order.
    fn rescan(&mut self, scan: &ScanRef, to_new: ScaleShift, frames: &[Rescanned]) -> Option<Edit> {
        let there = frames
            .iter()
            .filter_map(|new| Some(Rescanned { frame: self.frame(new.frame)?, ..new.clone() }))
            .collect::<Vec<_>>();
        if strips_under(&self.draft, frames) != strips_under(&self.now, &there) {
            self.tell("frames were deleted while they were scanned; open their scan by hand".to_owned());
            return None;
        }
        Some(Edit::Rescan { scan: scan.clone(), to_new, frames: some(there)? })
    }

    fn tell(&mut self, sentence: String) {
        if !self.dropped.contains(&sentence) {
            self.dropped.push(sentence);
        }
    }

    /// Current id of a frame of the job; reports a deleted one.
    fn frame(&mut self, id: FrameId) -> Option<FrameId> {
        let there = *self.frames.get(&id)?;
        if there.is_none()
            && let Some(frame) = self.draft.frame(id)
        {
            let number = self.draft.number_text(frame);
            self.tell(format!("frame {number} was deleted in the meantime; its result was dropped"));
        }
        there
    }

    /// Those of some frames that still exist; `None` if there were some and none is left.
    fn frames(&mut self, ids: &[FrameId]) -> Option<Vec<FrameId>> {
        let there: Vec<_> = ids.iter().filter_map(|id| self.frame(*id)).collect();
        (ids.is_empty() || !there.is_empty()).then_some(there)
    }

    /// The same for frames with one value each.
    fn with_frames<T: Clone>(&mut self, values: &[(FrameId, T)]) -> Option<Vec<(FrameId, T)>> {
        let there: Vec<_> =
            values.iter().filter_map(|(id, value)| Some((self.frame(*id)?, value.clone()))).collect();
        (values.is_empty() || !there.is_empty()).then_some(there)
    }

    /// Current id of a strip of the job; reports a removed one.
    fn strip(&mut self, id: StripId, edit: &Edit) -> Option<StripId> {
        let there = *self.strips.get(&id)?;
        if there.is_none() {
            let place = self.draft.strips.iter().position(|strip| strip.id == id).map_or(0, |idx| idx + 1);
            let what = edit.label();
            self.tell(format!(
                "strip {place} was removed or replaced in the meantime; “{what}” was left out"
            ));
        }
        there
    }

    /// Current ids of the strips of the job that are still there.
    fn strips_of(&self, ids: &[StripId]) -> Vec<StripId> {
        ids.iter().filter_map(|id| self.strips.get(id).copied().flatten()).collect()
    }

    /// Current id of a scan of the job; reports a removed one.
    fn scan(&mut self, id: ScanId) -> Option<ScanId> {
        let there = *self.scans.get(&id)?;
        if there.is_none()
            && let Some(scan) = self.draft.scan(id)
        {
            let name = scan.path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            self.tell(format!("the scan “{name}” was removed in the meantime; results for it were dropped"));
        }
        there
    }

    /// Current id of a stock of the job; a removed stock of the session comes back, because an edit needs it.
    fn stock(&mut self, id: &str) -> String {
        let id_now = self.stocks.get(id).cloned().unwrap_or_else(|| id.to_owned());
        if self.now.stock(&id_now).is_none()
            && let Some(stock) = self.draft.stock(id)
        {
            let back =
                Edit::AddStock(Box::new(glassine_film::Stock { id: id_now.clone(), ..(**stock).clone() }));
            if let Ok(after) = back.apply(&self.now) {
                self.now = after;
                self.applied.push(back);
            }
        }
        id_now
    }

    /// Adds a new stock, under an id that was not given to another one meanwhile.
    fn added_stock(&mut self, stock: &glassine_film::Stock) -> Edit {
        let is_free = |id: &str| match (self.now.stock(id), self.draft.stock(id)) {
            (Some(now), Some(draft)) => now == draft,
            (now, _) => now.is_none_or(|now| **now == *stock),
        };
        let mut id = stock.id.clone();
        for count in 2.. {
            if is_free(&id) {
                break;
            }
            id = format!("{}-{count}", stock.id);
        }
        self.stocks.insert(stock.id.clone(), id.clone());
        Edit::AddStock(Box::new(glassine_film::Stock { id, ..stock.clone() }))
    }

    /// Position in the current order for a frame that the job moves to `to`: behind the same neighbour.
    fn place_for(&self, frame: FrameId, to: usize) -> usize {
        let others: Vec<_> = self.draft.frames.iter().map(|f| f.id).filter(|id| *id != frame).collect();
        let moved = self.frames.get(&frame).copied().flatten();
        let now: Vec<_> = self.now.frames.iter().map(|f| Some(f.id)).filter(|id| *id != moved).collect();
        let before = others.iter().take(to).rev();
        let mut before = before.filter_map(|id| self.frames.get(id).copied().flatten());
        before.find_map(|id| now.iter().position(|other| *other == Some(id))).map_or(0, |idx| idx + 1)
    }

    /// What the job found on a scan, beside the frames that the user drew there meanwhile.
    fn replaced_strips(&mut self, edit: &Edit) -> Option<Translated> {
        let Edit::ReplaceStrips { scan, film, stock_id, strips, keep } = edit else { return None };
        let scan = self.scan(*scan)?;
        let stock_id = self.stock(stock_id);
        let known: BTreeSet<FrameId> = self.frames.values().flatten().copied().collect();
        let on_scan =
            self.now.frames.iter().filter(|f| self.now.strip(f.strip).is_some_and(|s| s.scan == scan));
        let drawn: Vec<_> = on_scan.filter(|frame| !known.contains(&frame.id)).map(Arc::clone).collect();
        let mut left_out = BTreeSet::new();
        let mut idx = 0;
        let mut strips: Vec<FoundStripEdit> = strips.clone();
        for strip in &mut strips {
            strip.frames.retain(|found| {
                let is_drawn = drawn.iter().any(|frame| is_same_picture(&frame.crop, &found.crop));
                if is_drawn {
                    left_out.insert(idx);
                }
                idx += 1;
                !is_drawn
            });
        }
        if !left_out.is_empty() {
            let count = match left_out.len() {
                1 => "a box was found".to_owned(),
                count => format!("{count} boxes were found"),
            };
            self.tell(format!("{count} where you drew one meanwhile; yours stays"));
        }
        let mut keep: Vec<_> = keep.iter().filter_map(|id| self.frames.get(id).copied().flatten()).collect();
        keep.extend(drawn.iter().map(|frame| frame.id));
        let edit = Edit::ReplaceStrips { scan, film: *film, stock_id, strips, keep };
        Some(Translated { edit, left_out })
    }

    /// A scan as the job leaves it, with the user's changes in the meantime.
    fn scan_update(&mut self, new: &ScanRef) -> Option<ScanRef> {
        let id = self.scan(new.id)?;
        let (old, now) = (Arc::clone(self.draft.scan(new.id)?), Arc::clone(self.now.scan(id)?));
        let ScanRef {
            id: _,
            path,
            infrared_path,
            page,
            width_px,
            height_px,
            ppi,
            planes,
            fingerprint,
            infrared_fingerprint,
            scanned_at,
            encoding,
            fourth_sample,
            found_encoding,
            stray_light,
            found_stray_light,
            join,
        } = new.clone();
        Some(ScanRef {
            id,
            path: changed(path, &old.path, &now.path),
            infrared_path: changed(infrared_path, &old.infrared_path, &now.infrared_path),
            page: changed(page, &old.page, &now.page),
            width_px: changed(width_px, &old.width_px, &now.width_px),
            height_px: changed(height_px, &old.height_px, &now.height_px),
            ppi: changed(ppi, &old.ppi, &now.ppi),
            planes: changed(planes, &old.planes, &now.planes),
            fingerprint: changed(fingerprint, &old.fingerprint, &now.fingerprint),
            infrared_fingerprint: changed(
                infrared_fingerprint,
                &old.infrared_fingerprint,
                &now.infrared_fingerprint,
            ),
            scanned_at: changed(scanned_at, &old.scanned_at, &now.scanned_at),
            encoding: changed(encoding, &old.encoding, &now.encoding),
            fourth_sample: changed(fourth_sample, &old.fourth_sample, &now.fourth_sample),
            found_encoding: changed(found_encoding, &old.found_encoding, &now.found_encoding),
            stray_light: changed(stray_light, &old.stray_light, &now.stray_light),
            found_stray_light: changed(found_stray_light, &old.found_stray_light, &now.found_stray_light),
            join: changed(join, &old.join, &now.join),
        })
    }

    /// Output settings as the job leaves them, with the user's changes in the meantime.
    fn output_update(&self, new: &OutputSettings) -> OutputSettings {
        let (old, now) = (&self.draft.output, &self.now.output);
        let OutputSettings {
            folder,
            base_name,
            digits,
            half_numbers,
            film_numbers,
            kind,
            space,
            rendering,
            compression,
            jpeg_quality,
            web_long_side_px,
            sharpen_output,
            creator,
            copyright,
            caption,
            name_template,
            print,
            recipes,
            recipe: _,
            web_format,
            web_megapixels,
            most_kb,
            density,
        } = new.clone();
        OutputSettings {
            folder: changed(folder, &old.folder, &now.folder),
            base_name: changed(base_name, &old.base_name, &now.base_name),
            digits: changed(digits, &old.digits, &now.digits),
            half_numbers: changed(half_numbers, &old.half_numbers, &now.half_numbers),
            film_numbers: changed(film_numbers, &old.film_numbers, &now.film_numbers),
            kind: changed(kind, &old.kind, &now.kind),
            space: changed(space, &old.space, &now.space),
            rendering: changed(rendering, &old.rendering, &now.rendering),
            compression: changed(compression, &old.compression, &now.compression),
            jpeg_quality: changed(jpeg_quality, &old.jpeg_quality, &now.jpeg_quality),
            web_long_side_px: changed(web_long_side_px, &old.web_long_side_px, &now.web_long_side_px),
            sharpen_output: changed(sharpen_output, &old.sharpen_output, &now.sharpen_output),
            creator: changed(creator, &old.creator, &now.creator),
            copyright: changed(copyright, &old.copyright, &now.copyright),
            caption: changed(caption, &old.caption, &now.caption),
            name_template: changed(name_template, &old.name_template, &now.name_template),
            print: changed(print, &old.print, &now.print),
            recipes: changed(recipes, &old.recipes, &now.recipes),
            recipe: now.recipe.clone(),
            web_format: changed(web_format, &old.web_format, &now.web_format),
            web_megapixels: changed(web_megapixels, &old.web_megapixels, &now.web_megapixels),
            most_kb: changed(most_kb, &old.most_kb, &now.most_kb),
            density: changed(density, &old.density, &now.density),
        }
    }
}

/// The job's value if the job changed it, else the current one.
fn changed<T: PartialEq + Clone>(new: T, old: &T, now: &T) -> T {
    if new == *old { now.clone() } else { new }
}

fn paired<T>((id, given): (T, T)) -> (T, Option<T>) {
    (id, Some(given))
}

fn some<T>(list: Vec<T>) -> Option<Vec<T>> {
    (!list.is_empty()).then_some(list)
}

/// How many strips some frames are on.
fn strips_under(session: &Session, frames: &[Rescanned]) -> usize {
    let strips = frames.iter().filter_map(|new| session.frame(new.frame)).map(|frame| frame.strip);
    strips.collect::<BTreeSet<_>>().len()
}

/// Whether two boxes surround one picture: each contains the middle of the other.
fn is_same_picture(one: &TiltedBox, other: &TiltedBox) -> bool {
    one.contains(other.center) && other.contains(one.center)
}

#[cfg(test)]
mod tests;

//! Colours of the screen: finds its profile, makes the tables that pictures are converted with, and those of proofs.
//!
//! All of this happens on a thread of its own, which looks at the screen again every few seconds and whenever the
//! window moves.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, unbounded};
use egui::Context;
use glassine_engine::colour::{
    Proof, ProofSettings, ProofTarget, output_profile, read_profile, screen_table,
};
use glassine_film::OutputSpace;
use glassine_scanfile::icc::{ColourTable, DeviceProfile, ProfileError};

use crate::model::screen_state::{
    ProfileOrigin, ProofChoice, ProofOf, ScreenChoice, ScreenFact, ScreenFacts,
};
use crate::platform::screen_profile::{ScreenFinder, ScreenLookup};

/// Time between two looks at the screen.
const LOOK_AGAIN: Duration = Duration::from_secs(3);

/// What the tables depend on.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Wish {
    pub(crate) screen: ScreenChoice,
    /// Centre of the window on the display, pixels.
    pub(crate) center_px: Option<(i32, i32)>,
    pub(crate) proof: ProofChoice,
    /// Space of exported files.
    pub(crate) export: OutputSpace,
}

/// What pictures are shown with.
#[derive(Debug, Clone, Default)]
pub(crate) struct ScreenTables {
    pub(crate) facts: ScreenFacts,
    /// From sRGB to the screen; `None` if that changes nothing.
    pub(crate) table: Option<Arc<ColourTable>>,
    pub(crate) proof: Option<Arc<Proof>>,
}

/// Where the work is done.
#[derive(Debug)]
enum Place {
    NotBegun(ScreenLookup),
    Here(Box<Worker>),
    Thread { wishes: Sender<Wish>, made: Receiver<ScreenTables> },
}

/// The colours of the screen, as the window uses them.
#[derive(Debug)]
pub(crate) struct ScreenColours {
    place: Place,
    asked: Option<Wish>,
    tables: ScreenTables,
    /// Counts the changes of the table.
    table_number: u64,
}

impl ScreenColours {
    pub(crate) fn new(lookup: ScreenLookup) -> Self {
        Self { place: Place::NotBegun(lookup), asked: None, tables: ScreenTables::default(), table_number: 0 }
    }

    pub(crate) fn tables(&self) -> &ScreenTables {
        &self.tables
    }

    /// Tells one state of the conversion to the screen from another.
    pub(crate) fn table_number(&self) -> u64 {
        self.table_number
    }

    /// Passes on what is wished for, and takes what was made; returns whether anything changed. With `inline` the work
    /// is done at once.
    pub(crate) fn run(&mut self, ctx: &Context, wish: Wish, inline: bool) -> bool {
        if let Place::NotBegun(lookup) = &self.place {
            self.place = begin(lookup.clone(), ctx, inline);
        }
        let is_new = self.asked.as_ref() != Some(&wish);
        let made = match &mut self.place {
            Place::Here(worker) => is_new.then(|| worker.look(&wish)).flatten(),
            Place::Thread { wishes, made } => {
                // The thread only ends with the window.
                if is_new && wishes.send(wish.clone()).is_err() {
                    return false;
                }
                made.try_iter().last()
            }
            Place::NotBegun(_) => None,
        };
        self.asked = Some(wish);
        let Some(tables) = made else { return false };
        if self.tables.table.as_ref().map(Arc::as_ptr) != tables.table.as_ref().map(Arc::as_ptr) {
            self.table_number += 1;
        }
        self.tables = tables;
        true
    }
}

fn begin(lookup: ScreenLookup, ctx: &Context, inline: bool) -> Place {
    let mut worker = Worker::new(lookup);
    if inline {
        return Place::Here(Box::new(worker));
    }
    let (wishes, to_do) = unbounded::<Wish>();
    let (results, made) = unbounded();
    let ctx = ctx.clone();
    let work = move || {
        let mut wish: Option<Wish> = None;
        loop {
            match to_do.recv_timeout(LOOK_AGAIN) {
                Ok(newer) => wish = Some(to_do.try_iter().last().unwrap_or(newer)),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            let Some(tables) = wish.as_ref().and_then(|wish| worker.look(wish)) else { continue };
            if results.send(tables).is_err() {
                return;
            }
            ctx.request_repaint();
        }
    };
    // Without the thread the screen is taken as sRGB.
    std::thread::Builder::new().name("glassine-screen".to_owned()).spawn(work).ok();
    Place::Thread { wishes, made }
}

/// A profile file and when it was written.
type FileState = (PathBuf, Option<SystemTime>);

/// What decides how the screen is seen.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Seen {
    Nothing,
    Compositor,
    Profile(Vec<u8>, ProfileOrigin),
    Unreadable(String),
}

/// What a proof is made from, besides the screen.
#[derive(Debug, Clone, PartialEq)]
struct ProofInputs {
    choice: ProofChoice,
    export: OutputSpace,
    printer: Option<FileState>,
}

/// Looks at the screen and makes tables.
#[derive(Debug)]
struct Worker {
    finder: ScreenFinder,
    seen: Option<Seen>,
    /// The screen, if it is not simply taken as sRGB.
    screen: Option<Arc<DeviceProfile>>,
    proofed: Option<Option<ProofInputs>>,
    tables: ScreenTables,
}

impl Worker {
    fn new(lookup: ScreenLookup) -> Self {
        let finder = ScreenFinder::new(lookup);
        Self { finder, seen: None, screen: None, proofed: None, tables: ScreenTables::default() }
    }

    /// What pictures are shown with now, if that changed.
    fn look(&mut self, wish: &Wish) -> Option<ScreenTables> {
        let seen = self.see(wish);
        let screen_changed = self.seen.as_ref() != Some(&seen);
        if screen_changed {
            (self.tables.facts.screen, self.tables.table, self.screen) = tables_of(&seen);
            self.seen = Some(seen);
        }
        let inputs = wish.proof.is_on.then(|| ProofInputs {
            choice: wish.proof.clone(),
            export: wish.export,
            printer: wish.proof.printer_file.as_deref().map(state_of),
        });
        if !screen_changed && self.proofed.as_ref() == Some(&inputs) {
            return None;
        }
        (self.tables.proof, self.tables.facts.proof, self.tables.facts.proof_failure) = (None, None, None);
        match inputs.as_ref().map(|inputs| guarded(|| self.proof(inputs))) {
            Some(Ok((proof, name))) => {
                (self.tables.proof, self.tables.facts.proof) = (Some(Arc::new(proof)), Some(name));
            }
            Some(Err(why)) => self.tables.facts.proof_failure = Some(why),
            None => {}
        }
        self.proofed = Some(inputs);
        Some(self.tables.clone())
    }

    fn see(&mut self, wish: &Wish) -> Seen {
        if let Some(file) = &wish.screen.profile_file {
            return match profile_in(file) {
                Ok(bytes) => Seen::Profile(bytes, ProfileOrigin::File),
                Err(why) => Seen::Unreadable(why),
            };
        }
        if *self.finder.lookup() == ScreenLookup::Compositor {
            return Seen::Compositor;
        }
        match self.finder.find(wish.center_px) {
            Some(found) => Seen::Profile(found.bytes, found.origin),
            None => Seen::Nothing,
        }
    }

    /// A proof, and what it is of.
    fn proof(&self, inputs: &ProofInputs) -> Result<(Proof, String), String> {
        let ProofInputs { choice, export, .. } = inputs;
        let (target, name) = match choice.of {
            ProofOf::Export => (ProofTarget::Space(*export), export.label().to_owned()),
            ProofOf::Space(space) => (ProofTarget::Space(space), space.label().to_owned()),
            ProofOf::Print => {
                let file = choice.printer_file.as_deref().ok_or("choose the profile of a printer")?;
                let printer = DeviceProfile::parse(&profile_in(file)?).map_err(in_words)?;
                let name = format!("a print, {}", printer.name());
                (ProofTarget::Printer(Arc::new(printer)), name)
            }
        };
        let (intent, shows_paper, marks) = (choice.intent, choice.shows_paper, choice.marks);
        let settings = ProofSettings { target, intent, shows_paper, marks };
        let screen = match &self.screen {
            Some(screen) => Arc::clone(screen),
            None => {
                Arc::new(DeviceProfile::parse(&output_profile(OutputSpace::Srgb, false)).map_err(in_words)?)
            }
        };
        Ok((Proof::new(&settings, *export, &screen).map_err(in_words)?, name))
    }
}

/// What is known of a screen, the table for it and its profile.
fn tables_of(seen: &Seen) -> (ScreenFact, Option<Arc<ColourTable>>, Option<Arc<DeviceProfile>>) {
    let (bytes, origin) = match seen {
        Seen::Nothing => return (ScreenFact::NoProfile, None, None),
        Seen::Compositor => return (ScreenFact::Compositor, None, None),
        Seen::Unreadable(why) => return (ScreenFact::Unusable { why: why.clone() }, None, None),
        Seen::Profile(bytes, origin) => (bytes, *origin),
    };
    let made = guarded(|| {
        let screen = DeviceProfile::parse(bytes).map_err(in_words)?;
        if screen.channels() != 3 || screen.is_printer() {
            return Err(format!("“{}” does not describe a screen", screen.name()));
        }
        Ok((screen_table(&screen).map_err(in_words)?, screen))
    });
    match made {
        Ok((table, screen)) => {
            let name = screen.name().to_owned();
            let fact = ScreenFact::Known { name, origin, is_srgb: table.is_none() };
            let screen = table.is_some().then(|| Arc::new(screen));
            (fact, table.map(Arc::new), screen)
        }
        Err(why) => (ScreenFact::Unusable { why }, None, None),
    }
}

/// Work on a profile of unknown origin: a fault in the library that reads it must not end the search for another.
fn guarded<T>(work: impl FnOnce() -> Result<T, String>) -> Result<T, String> {
    catch_unwind(AssertUnwindSafe(work))
        .unwrap_or_else(|_| Err("the colour profile cannot be used".to_owned()))
}

fn in_words(error: ProfileError) -> String {
    error.to_string()
}

fn state_of(file: &Path) -> FileState {
    (file.to_path_buf(), std::fs::metadata(file).and_then(|about| about.modified()).ok())
}

fn profile_in(file: &Path) -> Result<Vec<u8>, String> {
    let read = read_profile(file).map_err(|error| format!("{}: {error}", file.display()))?;
    read.ok_or_else(|| format!("{} is not a colour profile", file.display()))
}

//! Recent sessions as the welcome page shows them: whether their files are there, and their small pictures. Both are
//! looked up on another thread.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crossbeam_channel::{Receiver, bounded};
use egui::{ColorImage, Context, TextureHandle, TextureOptions};

use crate::model::app_status::RecentShown;
use crate::model::remembered::RecentSession;
use crate::services::thumbnails;

/// Time between two looks at the files while the page is shown, seconds.
const LOOK_EVERY_S: f64 = 5.0;

struct Found {
    recent: RecentSession,
    is_missing: bool,
    picture: Option<ColorImage>,
}

/// The look at the files, and the textures of what it found.
#[derive(Default)]
pub(crate) struct Recents {
    looking: Option<Receiver<Vec<Found>>>,
    /// The list as last looked for, and when that was.
    looked_for: Option<(Vec<RecentSession>, f64)>,
    textures: Vec<(PathBuf, TextureHandle)>,
}

impl std::fmt::Debug for Recents {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recents").field("textures", &self.textures.len()).finish_non_exhaustive()
    }
}

impl Recents {
    /// Looks at the files when that is due; gives what was found once it is there. `here` looks on this thread.
    pub(crate) fn poll(
        &mut self,
        ctx: &Context,
        recent: &[RecentSession],
        folder: Option<&Path>,
        now_s: f64,
        here: bool,
    ) -> Option<Vec<RecentShown>> {
        let found = self.looking.as_ref().and_then(|looking| looking.try_recv().ok());
        let shown = found.map(|found| self.taken(ctx, found));
        if shown.is_some() {
            self.looking = None;
        }
        let is_due = match &self.looked_for {
            Some((list, at_s)) => list != recent || now_s - at_s >= LOOK_EVERY_S,
            None => true,
        };
        ctx.request_repaint_after_secs(LOOK_EVERY_S as f32);
        if !is_due || self.looking.is_some() {
            return shown;
        }
        self.looked_for = Some((recent.to_vec(), now_s));
        let (recent, folder) = (recent.to_vec(), folder.map(Path::to_path_buf));
        let known: Vec<PathBuf> = self.textures.iter().map(|(path, _)| path.clone()).collect();
        let look = move || recent.into_iter().map(|recent| look(recent, folder.as_deref(), &known)).collect();
        if here {
            return Some(self.taken(ctx, look()));
        }
        let (sender, receiver) = bounded(1);
        let wake = ctx.clone();
        let work = move || {
            // If the window has closed meanwhile, the answer is dropped.
            if sender.send(look()).is_ok() {
                wake.request_repaint();
            }
        };
        if std::thread::Builder::new().name("glassine-recent".to_owned()).spawn(work).is_ok() {
            self.looking = Some(receiver);
        }
        shown
    }

    /// Drops the textures, because the page is no longer shown.
    pub(crate) fn rest(&mut self) {
        *self = Self::default();
    }

    fn taken(&mut self, ctx: &Context, found: Vec<Found>) -> Vec<RecentShown> {
        let is_listed = |path: &Path| found.iter().any(|found| found.recent.path == path);
        self.textures.retain(|(path, _)| is_listed(path));
        let shown = found.into_iter().map(|Found { recent, is_missing, picture }| {
            if let Some(picture) = picture {
                let name = format!("recent {}", recent.path.display());
                let texture = ctx.load_texture(name, Arc::new(picture), TextureOptions::LINEAR);
                self.textures.push((recent.path.clone(), texture));
            }
            let texture = self.textures.iter().find(|(path, _)| *path == recent.path);
            let picture = texture.map(|(_, texture)| (texture.id(), texture.size_vec2()));
            RecentShown { recent, is_missing, picture }
        });
        shown.collect()
    }
}

fn look(recent: RecentSession, folder: Option<&Path>, known: &[PathBuf]) -> Found {
    let is_known = known.contains(&recent.path);
    let picture = folder.filter(|_| !is_known).and_then(|folder| thumbnails::read(folder, &recent.path));
    Found { is_missing: !recent.path.is_file(), picture, recent }
}

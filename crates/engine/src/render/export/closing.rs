//! The end of a frame: it is synced, read back and named while the next one is made.

use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, Scope, ScopedJoinHandle};
use std::time::Instant;

use glassine_raster::CancelToken;
use glassine_scanfile::ClosedPicture;

use super::inputs::Inputs;
use super::manifest::Entry;
use crate::error::EngineError;
use crate::frame::FrameContext;
use crate::types::ExportedFile;

/// Result of writing one file: what it is, and its entry for the manifest if there is one.
pub(super) type Outcome = Result<(ExportedFile, Option<Entry>), EngineError>;

/// A frame whose rows are all in a file that does not have its name yet.
pub(super) struct WrittenFrame {
    pub(super) picture: ClosedPicture,
    pub(super) file: ExportedFile,
    pub(super) context: FrameContext,
    pub(super) started: Instant,
    /// Entry of the manifest, still without the file's checksum.
    pub(super) record: Option<Entry>,
}

/// A frame that is being closed or has been closed.
pub(super) enum Closing<'s> {
    Running(ScopedJoinHandle<'s, Outcome>),
    Ended(Box<Outcome>),
}

impl Closing<'_> {
    /// Wait for the result; a panic of the thread continues here.
    pub(super) fn join(self) -> Outcome {
        match self {
            Self::Running(thread) => thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)),
            Self::Ended(outcome) => *outcome,
        }
    }
}

impl WrittenFrame {
    /// Close the frame on its own thread, or on this one if the system gives none.
    pub(super) fn close_beside<'s, 'e>(
        self,
        threads: &'s Scope<'s, 'e>,
        inputs: &'s Inputs<'_>,
    ) -> Closing<'s> {
        // A thread that fails to start drops what was moved into it, so the frame is shared.
        let frame = Arc::new(Mutex::new(Some(self)));
        let taken = Arc::clone(&frame);
        let close = move || {
            let frame = taken.lock().unwrap_or_else(PoisonError::into_inner).take();
            frame.map_or(Err(EngineError::internal("a frame was closed twice")), |frame| frame.close(inputs))
        };
        match thread::Builder::new().name("glassine-close".to_owned()).spawn_scoped(threads, close.clone()) {
            Ok(thread) => Closing::Running(thread),
            Err(_no_thread) => Closing::Ended(Box::new(close())),
        }
    }

    /// Sync the file and read it back in parallel, then give it its name.
    ///
    /// A frame that has come this far is finished even if the export is stopped meanwhile.
    fn close(self, inputs: &Inputs<'_>) -> Outcome {
        let Self { picture, mut file, context, started, record } = self;
        thread::scope(|threads| {
            let syncing = thread::Builder::new().spawn_scoped(threads, || picture.sync());
            let checked = picture.check(&CancelToken::new());
            let synced = match syncing {
                Ok(syncing) => syncing.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)),
                Err(_no_thread) => picture.sync(),
            };
            checked.and(synced)
        })?;
        inputs.confirm(&context)?;
        let written = picture.commit()?;
        file.path = written.path;
        file.bytes = written.bytes;
        let record = record.map(|entry| entry.of_file(&file.path)).transpose()?;
        file.seconds = started.elapsed().as_secs_f64();
        Ok((file, record))
    }
}

//! The end of a frame: synced, read back and named while the next one is made.

use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, Scope, ScopedJoinHandle};
use std::time::Instant;

use glassine_raster::CancelToken;
use glassine_scanfile::ClosedPicture;

use super::inputs::Inputs;
use crate::EngineError;
use crate::recipe::FrameContext;
use crate::types::ExportedFile;

/// What became of a frame.
pub(super) type Outcome = Result<ExportedFile, EngineError>;

/// A frame whose rows are all in a file, without its name.
pub(super) struct WrittenFrame {
    pub(super) picture: ClosedPicture,
    pub(super) file: ExportedFile,
    pub(super) context: FrameContext,
    pub(super) started: Instant,
}

/// A frame that is being closed, or was.
pub(super) enum Closing<'s> {
    Running(ScopedJoinHandle<'s, Outcome>),
    Ended(Box<Outcome>),
}

impl Closing<'_> {
    /// Wait for the end; a panic there goes on here.
    pub(super) fn join(self) -> Outcome {
        match self {
            Self::Running(thread) => thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)),
            Self::Ended(outcome) => *outcome,
        }
    }
}

impl WrittenFrame {
    /// Close the frame on a thread of its own, or here when the system has none.
    pub(super) fn close_beside<'s, 'e>(
        self,
        threads: &'s Scope<'s, 'e>,
        inputs: &'s Inputs<'_>,
    ) -> Closing<'s> {
        // A thread that could not be started gives back nothing that was moved into it.
        let frame = Arc::new(Mutex::new(Some(self)));
        let taken = Arc::clone(&frame);
        let close = move || {
            let frame = taken.lock().unwrap_or_else(PoisonError::into_inner).take();
            frame.map_or(Err(EngineError::fault("a frame was closed twice")), |frame| frame.close(inputs))
        };
        match thread::Builder::new().name("glassine-close".to_owned()).spawn_scoped(threads, close.clone()) {
            Ok(thread) => Closing::Running(thread),
            Err(_no_thread) => Closing::Ended(Box::new(close())),
        }
    }

    /// Sync the file and read it back at the same time, then give it its name.
    ///
    /// A frame that came this far is finished even when the export is stopped meanwhile.
    fn close(self, inputs: &Inputs<'_>) -> Outcome {
        let Self { picture, mut file, context, started } = self;
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
        file.seconds = started.elapsed().as_secs_f64();
        Ok(file)
    }
}

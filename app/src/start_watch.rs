//! Reports once how long the window takes to come up, then closes it. For benches.

use std::io::Write as _;
use std::time::{Duration, Instant};

/// When the stages of a start were on screen, since the program began.
#[derive(Debug, Clone)]
pub struct StartWatch {
    began: Instant,
    drawn: Stages,
    shown: Stages,
}

/// Stages, each with the time at which it was first reached.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Stages {
    /// Any frame.
    window: Option<Duration>,
    /// A frame with the boxes of a session.
    session: Option<Duration>,
    /// A frame with every picture that it has room for.
    pictures: Option<Duration>,
}

impl StartWatch {
    /// Starts the watch.
    pub fn begin() -> Self {
        Self { began: Instant::now(), drawn: Stages::default(), shown: Stages::default() }
    }

    /// Notes that a frame was drawn; it reaches the screen before the next one begins.
    pub(crate) fn drawn(&mut self, has_session: bool, has_pictures: bool) {
        let now = self.began.elapsed();
        self.drawn.window.get_or_insert(now);
        if has_session {
            self.drawn.session.get_or_insert(now);
        }
        if has_session && has_pictures {
            self.drawn.pictures.get_or_insert(now);
        }
    }

    /// Notes that a frame begins: the one before it is on screen. Returns whether every stage was reported.
    pub(crate) fn begins(&mut self) -> bool {
        let now = self.began.elapsed();
        let stages = [
            ("window", self.drawn.window, &mut self.shown.window),
            ("session", self.drawn.session, &mut self.shown.session),
            ("pictures", self.drawn.pictures, &mut self.shown.pictures),
        ];
        for (name, drawn, shown) in stages {
            if drawn.is_some() && shown.is_none() {
                *shown = Some(now);
                // A failed write is ignored: then there is no reader.
                drop(writeln!(std::io::stdout(), "{name} {:.1} ms", now.as_secs_f64() * 1e3));
            }
        }
        self.shown.pictures.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stage_is_over_when_the_frame_after_it_begins() {
        let mut watch = StartWatch::begin();
        assert!(!watch.begins());
        watch.drawn(false, false);
        assert!(!watch.begins() && watch.shown.window.is_some());
        watch.drawn(true, false);
        assert!(!watch.begins() && watch.shown.session >= watch.shown.window);
        watch.drawn(true, true);
        assert!(watch.begins() && watch.shown.pictures >= watch.shown.session);
    }
}

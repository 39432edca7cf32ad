//! The program's side: starts the process of the drivers, asks it, and ends it when it does not answer.

use std::ffi::OsString;
use std::io::{BufReader, Read as _};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, bounded};
use glassine_raster::CancelToken;

use crate::error::Error;
use crate::option::{DeviceOption, OptionValue};
use crate::protocol::{Device, FrameHead, MOST_DATA, Reply, Request, receive, send};

/// How the process of the drivers is started.
#[derive(Debug, Clone)]
pub struct DriverProcess {
    pub program: PathBuf,
    /// Arguments that make the program call [`crate::driver::run`].
    pub args: Vec<OsString>,
    /// Longest wait for an answer, in which a lamp may warm up.
    pub patience: Duration,
}

/// The process of the drivers.
#[derive(Debug)]
pub struct Helper {
    child: Child,
    input: Option<ChildStdin>,
    answers: Receiver<Answer>,
    patience: Duration,
}

#[derive(Debug)]
enum Answer {
    Reply(Reply),
    Data(Vec<u8>),
    Garbled(String),
}

/// Pieces of data that wait for the program: a few megabytes, so that a slow disk slows the scanner down.
const WAITING: usize = 16;
/// How often a wait looks for cancellation.
const LOOK: Duration = Duration::from_millis(50);
/// Wait for a driver to stop after a cancelled scan, before its process is ended. Our choice: a carriage at the far end
/// of the glass needs a few seconds.
const STOPPING: Duration = Duration::from_secs(15);

impl Helper {
    /// Starts the process.
    ///
    /// # Errors
    /// The process cannot be started, or the library of the interface is missing.
    pub fn start(process: &DriverProcess) -> Result<Self, Error> {
        let mut child = Command::new(&process.program)
            .args(&process.args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(Error::Start)?;
        let input = child.stdin.take();
        let (sender, answers) = bounded(WAITING);
        if let Some(output) = child.stdout.take() {
            thread::spawn(move || read_answers(output, |answer| sender.send(answer).is_ok()));
        }
        let mut helper = Self { child, input, answers, patience: process.patience };
        match helper.ask(&Request::Init, "load the scanner library", &CancelToken::new())? {
            Reply::Done => Ok(helper),
            Reply::NoLibrary { why } => Err(Error::NoLibrary { why }),
            other => Err(garbled(&other)),
        }
    }

    /// The devices that the drivers find; network devices only if asked for, because looking for them can take long.
    ///
    /// # Errors
    /// The driver fails, crashes or hangs.
    pub fn devices(&mut self, with_network: bool, cancel: &CancelToken) -> Result<Vec<Device>, Error> {
        match self.ask(&Request::List { local_only: !with_network }, "list the scanners", cancel)? {
            Reply::Devices(devices) => Ok(devices),
            other => Err(garbled(&other)),
        }
    }

    /// Opens a device.
    ///
    /// # Errors
    /// As [`Self::devices`]; most often the device is busy or access to it is denied.
    pub fn open(mut self, name: &str, cancel: &CancelToken) -> Result<Opened, Error> {
        match self.ask(&Request::Open { name: name.to_owned() }, &format!("open {name}"), cancel)? {
            Reply::Done => {
                let mut opened = Opened { helper: self, options: Vec::new() };
                opened.reload(cancel)?;
                Ok(opened)
            }
            other => Err(garbled(&other)),
        }
    }

    fn ask(&mut self, request: &Request, what: &str, cancel: &CancelToken) -> Result<Reply, Error> {
        self.tell(request, what)?;
        match self.wait(what, self.patience, cancel)? {
            Answer::Reply(Reply::Failed { status }) => Err(Error::Driver { what: what.to_owned(), status }),
            Answer::Reply(reply) => Ok(reply),
            Answer::Data(bytes) => Err(Error::Garbled { found: format!("{} bytes of data", bytes.len()) }),
            Answer::Garbled(found) => Err(Error::Garbled { found }),
        }
    }

    fn tell(&mut self, request: &Request, what: &str) -> Result<(), Error> {
        let sent = self.input.as_mut().map(|input| send(input, request));
        match sent {
            Some(Ok(())) => Ok(()),
            Some(Err(_)) | None => Err(Error::Crashed { what: what.to_owned() }),
        }
    }

    /// The next answer. A process that does not answer in time, or that is waited for no more, is ended.
    fn wait(&mut self, what: &str, patience: Duration, cancel: &CancelToken) -> Result<Answer, Error> {
        let since = Instant::now();
        loop {
            // Also while data keeps coming.
            if cancel.is_cancelled() {
                return Err(Error::Cancelled);
            }
            match self.answers.recv_timeout(LOOK) {
                Ok(answer) => return Ok(answer),
                Err(RecvTimeoutError::Disconnected) => return Err(Error::Crashed { what: what.to_owned() }),
                Err(RecvTimeoutError::Timeout) if since.elapsed() > patience => {
                    self.end();
                    return Err(Error::Hangs { what: what.to_owned(), waited_s: patience.as_secs() });
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    }

    fn end(&mut self) {
        // It may have ended by itself.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

impl Drop for Helper {
    fn drop(&mut self) {
        // The process ends when its input is closed. One that hangs in a driver is ended after a moment.
        drop(self.input.take());
        let since = Instant::now();
        while since.elapsed() < Duration::from_secs(2) {
            // Data in the pipe may keep it from seeing that.
            while self.answers.try_recv().is_ok() {}
            if !matches!(self.child.try_wait(), Ok(None)) {
                return;
            }
            thread::sleep(Duration::from_millis(10));
        }
        self.end();
    }
}

fn read_answers(output: ChildStdout, mut give: impl FnMut(Answer) -> bool) {
    let mut output = BufReader::new(output);
    loop {
        let answer = match receive::<Reply>(&mut output) {
            Ok(Some(Reply::Data(bytes))) if bytes <= MOST_DATA => {
                let mut data = vec![0; bytes];
                match output.read_exact(&mut data) {
                    Ok(()) => Answer::Data(data),
                    Err(_) => return,
                }
            }
            Ok(Some(reply)) => Answer::Reply(reply),
            Err(error) if error.kind() == std::io::ErrorKind::InvalidData => {
                Answer::Garbled(error.to_string())
            }
            // The process is gone.
            Ok(None) | Err(_) => return,
        };
        let is_garbled = matches!(answer, Answer::Garbled(_));
        if !give(answer) || is_garbled {
            return;
        }
    }
}

/// An open device and its options.
#[derive(Debug)]
pub struct Opened {
    helper: Helper,
    options: Vec<DeviceOption>,
}

impl Opened {
    /// Every option, as the driver described it last.
    pub fn options(&self) -> &[DeviceOption] {
        &self.options
    }

    /// The active option of a name.
    pub fn option(&self, name: &str) -> Option<&DeviceOption> {
        self.options.iter().find(|option| option.name == name && option.is_active)
    }

    /// Sets an option from a text; returns the value that it has then. Drivers round, and other options may change.
    ///
    /// # Errors
    /// There is no such option now, the value is none that it takes, or the driver fails.
    pub fn set(
        &mut self,
        name: &str,
        text: &str,
        cancel: &CancelToken,
    ) -> Result<Option<OptionValue>, Error> {
        let wrong = |why: String| Error::Option { name: name.to_owned(), why };
        let option =
            self.option(name).ok_or_else(|| wrong("this device has no such option now".to_owned()))?;
        if !option.is_settable {
            return Err(wrong("it can only be set on the device itself".to_owned()));
        }
        let value = option.parse(text).map_err(wrong)?;
        let request = Request::Set { index: option.index, value };
        match self.helper.ask(&request, &format!("set {name}"), cancel)? {
            Reply::Done => {}
            other => return Err(garbled(&other)),
        }
        // The value itself may be another one than asked for, and other options may have changed with it.
        self.reload(cancel)?;
        Ok(self.option(name).and_then(|option| option.value.clone()))
    }

    fn reload(&mut self, cancel: &CancelToken) -> Result<(), Error> {
        match self.helper.ask(&Request::Options, "list the options", cancel)? {
            Reply::Options(options) => {
                self.options = options;
                Ok(())
            }
            other => Err(garbled(&other)),
        }
    }

    /// Begins the next frame.
    pub(crate) fn begin_frame(&mut self, cancel: &CancelToken) -> Result<FrameHead, Error> {
        match self.helper.ask(&Request::Start, "begin the scan", cancel)? {
            Reply::Frame(head) => Ok(head),
            other => Err(garbled(&other)),
        }
    }

    /// The next piece of the frame; `None` at its end.
    pub(crate) fn next_data(&mut self, cancel: &CancelToken) -> Result<Option<Vec<u8>>, Error> {
        let what = "deliver the scan";
        match self.helper.wait(what, self.helper.patience, cancel) {
            Ok(Answer::Data(bytes)) => Ok(Some(bytes)),
            Ok(Answer::Reply(Reply::FrameEnd)) => Ok(None),
            Ok(Answer::Reply(Reply::Failed { status })) => {
                Err(Error::Driver { what: what.to_owned(), status })
            }
            Ok(Answer::Reply(other)) => Err(garbled(&other)),
            Ok(Answer::Garbled(found)) => Err(Error::Garbled { found }),
            Err(error) => Err(error),
        }
    }

    /// Ends a picture, as the standard asks for after its last frame; also in the middle of one, or after an error.
    pub(crate) fn end_picture(&mut self) -> Result<(), Error> {
        let what = "end the scan";
        self.helper.tell(&Request::Cancel, what)?;
        loop {
            // Whatever is left of a frame, its end, then the answer to the request.
            if let Answer::Reply(Reply::Done) = self.helper.wait(what, STOPPING, &CancelToken::new())? {
                return Ok(());
            }
        }
    }
}

fn garbled(reply: &Reply) -> Error {
    Error::Garbled { found: format!("{reply:?}").chars().take(120).collect() }
}

//! The process in which drivers run: answers requests on its standard input until that is closed.

use std::io::{self, BufRead, BufReader, BufWriter, Read, Write};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use crossbeam_channel::{Receiver, Sender, unbounded};

use crate::error::Status;
use crate::protocol::{MOST_DATA, Reply, Request, receive, send};
use crate::sane::{OpenDevice, Sane};

/// Runs until the program closes the pipe.
///
/// # Errors
/// The program has gone away.
pub fn run(input: impl Read + Send + 'static, output: impl Write) -> io::Result<()> {
    let (to_main, requests) = unbounded();
    let device = SharedDevice::default();
    // Requests are read beside the calls of the driver, so that a scan can be stopped while a call waits for lines.
    let shared = SharedDevice::clone(&device);
    thread::spawn(move || read_requests(BufReader::new(input), &to_main, &shared));
    Driver { sane: None, device, output: BufWriter::new(output) }.serve(&requests)
}

/// The open device, for both threads.
type SharedDevice = Arc<Mutex<Option<Arc<OpenDevice>>>>;

fn open_device(shared: &SharedDevice) -> Option<Arc<OpenDevice>> {
    shared.lock().unwrap_or_else(PoisonError::into_inner).clone()
}

fn read_requests(mut input: impl BufRead, to_main: &Sender<Request>, device: &SharedDevice) {
    while let Ok(Some(request)) = receive::<Request>(&mut input) {
        if request == Request::Cancel
            && let Some(device) = open_device(device)
        {
            device.cancel();
        }
        if to_main.send(request).is_err() {
            return;
        }
    }
}

struct Driver<W: Write> {
    sane: Option<Arc<Sane>>,
    device: SharedDevice,
    output: BufWriter<W>,
}

impl<W: Write> Driver<W> {
    fn serve(&mut self, requests: &Receiver<Request>) -> io::Result<()> {
        for request in requests {
            if let Err(status) = self.answer(request)? {
                send(&mut self.output, &Reply::Failed { status })?;
            }
        }
        Ok(())
    }

    fn answer(&mut self, request: Request) -> io::Result<Result<(), Status>> {
        let reply = match request {
            Request::Init => match Sane::load() {
                Ok(sane) => {
                    self.sane = Some(Arc::new(sane));
                    Ok(Reply::Done)
                }
                Err(why) => Ok(Reply::NoLibrary { why }),
            },
            Request::List { local_only } => {
                self.sane().and_then(|sane| sane.devices(local_only)).map(Reply::Devices)
            }
            Request::Open { name } => self.sane().and_then(|sane| sane.open(&name)).map(|device| {
                *self.device.lock().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(device));
                Reply::Done
            }),
            Request::Options => self.device().and_then(|device| device.options()).map(Reply::Options),
            Request::Set { index, value } => {
                self.device().and_then(|device| device.set(index, &value)).map(|()| Reply::Done)
            }
            Request::Start => match self.device() {
                Ok(device) => return self.frame(&device),
                Err(status) => Err(status),
            },
            // The thread that reads requests has made the call; this answers it once the driver is back.
            Request::Cancel => Ok(Reply::Done),
        };
        match reply {
            Ok(reply) => send(&mut self.output, &reply).map(Ok),
            Err(status) => Ok(Err(status)),
        }
    }

    fn sane(&self) -> Result<Arc<Sane>, Status> {
        self.sane.clone().ok_or(Status::Invalid)
    }

    fn device(&self) -> Result<Arc<OpenDevice>, Status> {
        open_device(&self.device).ok_or(Status::Invalid)
    }

    /// Begins a frame and sends its data as it comes.
    fn frame(&mut self, device: &OpenDevice) -> io::Result<Result<(), Status>> {
        let head = match device.start() {
            Ok(head) => head,
            Err(status) => return Ok(Err(status)),
        };
        send(&mut self.output, &Reply::Frame(head))?;
        let mut buffer = vec![0; MOST_DATA];
        loop {
            match device.read(&mut buffer) {
                Ok(0) => {}
                Ok(count) => {
                    send(&mut self.output, &Reply::Data(count))?;
                    self.output.write_all(&buffer[..count])?;
                    self.output.flush()?;
                }
                Err(Status::EndOfFile) => return send(&mut self.output, &Reply::FrameEnd).map(Ok),
                Err(status) => return Ok(Err(status)),
            }
        }
    }
}

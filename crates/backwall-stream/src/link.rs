//! The ways bytes come in: serial port, TCP, file, standard input. Each is read in a thread of its own that
//! waits for nothing else.

use super::command::{CommandOrder, Ordered};
use super::ports::{self, Identity};
use super::profile::{Flow, LinkSettings, Parity, Profile};
use super::queue::{Inlet, LinkEvent};
use super::talk::{Answers, Say, Talk};
use std::io::{self, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::sync::{Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// How long one read waits, and so how soon a stop or a command is seen.
const READ_PATIENCE: Duration = Duration::from_millis(50);
/// After a read that brought little so much time passes before the next: the shots of this time then wake every thread
/// behind the reader once and not each for itself. A little over the least time between two pictures (the console's `NEWS`), so that what
/// was gathered is drawn when it comes and waits no second time.
pub const GATHER: Duration = Duration::from_millis(48);
/// Where so many bytes came together the link is fast: what the system holds of it must not run full.
const MUCH: usize = CHUNK / 2;
const GATHER_MUCH: Duration = Duration::from_millis(10);
const SHORTEST_BACK_OFF: Duration = Duration::from_millis(100);
const LONGEST_BACK_OFF: Duration = Duration::from_secs(2);
const CONNECT_PATIENCE: Duration = Duration::from_secs(2);
/// How long the first connection is tried for: a server may just be starting, a cable just being plugged in.
const FIRST_CONNECT: Duration = Duration::from_secs(3);
const CHUNK: usize = 1 << 16;

/// The computer's clock, µs since 1970-01-01 UTC.
pub fn host_now_us() -> i64 {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_micros()).unwrap_or(i64::MAX)
}

/// Stops a reader, and hands it commands for the device.
#[derive(Default)]
pub struct Control {
    inner: Mutex<ControlInner>,
    changed: Condvar,
}

#[derive(Default)]
struct ControlInner {
    stop: bool,
    orders: Vec<CommandOrder>,
    /// Decoders that take what comes.
    decoders: usize,
}

impl Control {
    /// For so many decoders.
    pub fn shared_by(decoders: usize) -> Self {
        Self { inner: Mutex::new(ControlInner { decoders, ..ControlInner::default() }), changed: Condvar::new() }
    }

    /// A decoder takes no more; behind the last the reader stops.
    pub fn leave(&self) {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.decoders = inner.decoders.saturating_sub(1);
        inner.stop |= inner.decoders == 0;
        self.changed.notify_all();
    }

    pub fn stop(&self) {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner).stop = true;
        self.changed.notify_all();
    }

    pub fn is_stopped(&self) -> bool {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner).stop
    }

    /// Waits; true where it was stopped meanwhile.
    pub fn wait(&self, time: Duration) -> bool {
        let inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        let (inner, _) = self.changed.wait_timeout_while(inner, time, |inner| !inner.stop).unwrap_or_else(PoisonError::into_inner);
        inner.stop
    }

    pub fn send(&self, order: CommandOrder) {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner).orders.push(order);
    }

    /// The oldest order that waits.
    fn order(&self) -> Option<CommandOrder> {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        (!inner.orders.is_empty()).then(|| inner.orders.remove(0))
    }

    /// What waits for a line that is lost is not sent when it comes back: by then the operator has gone on without it.
    fn drop_orders(&self, inlet: &Inlet) {
        while let Some(order) = self.order() {
            inlet.tell(&LinkEvent::Ordered { order, became: Ordered::NotSent("the link is lost".to_owned()) }, host_now_us());
        }
    }
}

/// An open line that is read with short patience and written to.
pub trait LiveLine: Read + Write + Send {
    /// How long one read waits.
    fn set_patience(&mut self, patience: Duration) -> io::Result<()>;

    /// A read that brings so much has left more behind.
    fn brings_most(&self) -> usize;
}

impl LiveLine for TcpStream {
    fn set_patience(&mut self, patience: Duration) -> io::Result<()> {
        self.set_read_timeout(Some(patience))
    }

    fn brings_most(&self) -> usize {
        CHUNK
    }
}

impl LiveLine for Box<dyn serialport::SerialPort> {
    fn set_patience(&mut self, patience: Duration) -> io::Result<()> {
        self.set_timeout(patience).map_err(io::Error::from)
    }

    /// Linux hands out 4095 bytes of a terminal line at once.
    fn brings_most(&self) -> usize {
        4095
    }
}

/// A line that can be opened again.
pub enum Target {
    Serial { port: String, settings: LinkSettings, device: Option<Identity> },
    Tcp { host: String, port: u16, silence: Option<Duration> },
}

impl Target {
    pub fn serial(port: &str, settings: LinkSettings) -> Self {
        Self::Serial { port: port.to_owned(), settings, device: None }
    }

    pub fn what(&self) -> String {
        match self {
            Self::Serial { port, settings, .. } => format!("{port} at {} baud", settings.baud),
            Self::Tcp { host, port, .. } => format!("{host}:{port}"),
        }
    }

    /// Opens it, and where it is a serial port remembers the device behind it.
    pub fn open(&mut self) -> io::Result<Box<dyn LiveLine>> {
        match self {
            Self::Serial { port, settings, device } => {
                // A device that comes back may do so under another name, and another device under its old one.
                let name = match device {
                    Some(device) => {
                        device.port_now().ok_or_else(|| io::Error::new(io::ErrorKind::NotFound, "the device is not plugged in"))?
                    }
                    None => port.clone(),
                };
                let line = open_serial(&name, *settings)?;
                if device.is_none() {
                    *device = Identity::of_port(&name);
                }
                *port = name;
                Ok(line)
            }
            Self::Tcp { host, port, .. } => Ok(Box::new(connect(host, *port)?)),
        }
    }

    /// Opens it for the first time.
    pub fn open_first(&mut self) -> io::Result<Box<dyn LiveLine>> {
        let began = Instant::now();
        loop {
            match self.open() {
                Err(error) if self.may_come(&error) && began.elapsed() < FIRST_CONNECT => {
                    std::thread::sleep(SHORTEST_BACK_OFF);
                }
                opened => return opened,
            }
        }
    }

    /// Whether it is not there, and may be in a moment.
    fn may_come(&self, error: &io::Error) -> bool {
        error.kind() == if matches!(self, Self::Tcp { .. }) { io::ErrorKind::ConnectionRefused } else { io::ErrorKind::NotFound }
    }

    fn silence(&self) -> Option<Duration> {
        match self {
            // A serial adapter stays when its device falls silent; opening it again would prove nothing.
            Self::Serial { .. } => None,
            Self::Tcp { silence, .. } => *silence,
        }
    }
}

fn open_serial(port: &str, settings: LinkSettings) -> io::Result<Box<dyn LiveLine>> {
    use serialport::{DataBits, FlowControl, StopBits};
    let line = serialport::new(port, settings.baud)
        .data_bits(match settings.data_bits {
            5 => DataBits::Five,
            6 => DataBits::Six,
            7 => DataBits::Seven,
            _ => DataBits::Eight,
        })
        .parity(match settings.parity {
            Parity::None => serialport::Parity::None,
            Parity::Even => serialport::Parity::Even,
            Parity::Odd => serialport::Parity::Odd,
        })
        .stop_bits(if settings.stop_bits == 2 { StopBits::Two } else { StopBits::One })
        .flow_control(match settings.flow {
            Flow::None => FlowControl::None,
            Flow::Software => FlowControl::Software,
            Flow::Hardware => FlowControl::Hardware,
        })
        .timeout(READ_PATIENCE)
        .open()?;
    // What piled up before was shot before: it would be placed where the crawler is now.
    line.clear(serialport::ClearBuffer::Input)?;
    Ok(Box::new(line))
}

fn connect(host: &str, port: u16) -> io::Result<TcpStream> {
    let mut last = io::Error::new(io::ErrorKind::NotFound, "the name has no address");
    for address in (host, port).to_socket_addrs()? {
        match TcpStream::connect_timeout(&address, CONNECT_PATIENCE) {
            Ok(stream) => {
                stream.set_nodelay(true)?;
                stream.set_read_timeout(Some(READ_PATIENCE))?;
                stream.set_write_timeout(Some(CONNECT_PATIENCE))?;
                return Ok(stream);
            }
            Err(error) => last = error,
        }
    }
    Err(last)
}

/// Reads a live line until it is stopped, through any number of losses.
pub fn run_live(mut line: Box<dyn LiveLine>, mut target: Target, profile: &Profile, inlet: &Inlet, control: &Control) {
    let mut started = line.write_all(profile.start_command());
    inlet.tell(&LinkEvent::Up { what: target.what() }, host_now_us());
    loop {
        let why = match started {
            Ok(()) => read_line(&mut *line, target.silence(), profile, inlet, control),
            Err(error) => Err(error),
        };
        let Err(why) = why else {
            // Best effort: the line may be gone, and the run ends either way.
            let _ = line.write_all(profile.stop_command()).and_then(|()| line.flush());
            break;
        };
        drop(line);
        inlet.tell(&LinkEvent::Down { why: why.to_string() }, host_now_us());
        let down = Instant::now();
        let Some((opened, attempts)) = reopen(&mut target, control) else { break };
        control.drop_orders(inlet);
        line = opened;
        started = line.write_all(profile.start_command());
        let down_ms = u64::try_from(down.elapsed().as_millis()).unwrap_or(u64::MAX);
        inlet.tell(&LinkEvent::Reconnected { attempts, down_ms }, host_now_us());
    }
    inlet.tell(&LinkEvent::Ended { fault: None }, host_now_us());
}

/// Until it is stopped (`Ok`) or lost.
fn read_line(line: &mut dyn LiveLine, silence: Option<Duration>, profile: &Profile, inlet: &Inlet, control: &Control) -> io::Result<()> {
    let mut buffer = vec![0; CHUNK];
    let mut heard = Instant::now();
    let mut talk = Talk::new(profile, heard);
    let mut gathered = 0;
    loop {
        if control.is_stopped() {
            return Ok(());
        }
        order(line, &mut talk, inlet, control)?;
        speak(line, &mut talk, inlet)?;
        match line.read(&mut buffer) {
            Ok(0) => return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the other side closed the connection")),
            Ok(count) => {
                heard = Instant::now();
                talk.heard(&buffer[..count], heard);
                inlet.offer(&buffer[..count], host_now_us());
                gathered += count;
                if count < line.brings_most() && !talk.is_asking() {
                    let gather = if gathered < MUCH { GATHER } else { GATHER_MUCH };
                    gathered = 0;
                    if control.wait(gather) {
                        return Ok(());
                    }
                }
            }
            Err(error) if is_patience(&error) => {
                if let Some(silence) = silence.filter(|silence| heard.elapsed() > *silence) {
                    return Err(io::Error::new(io::ErrorKind::TimedOut, format!("nothing came for {} s", silence.as_secs())));
                }
            }
            Err(error) => return Err(error),
        }
    }
}

/// Sends the oldest order that waits, once the device is not busy with an answer.
fn order(line: &mut dyn LiveLine, talk: &mut Talk, inlet: &Inlet, control: &Control) -> io::Result<()> {
    if !talk.is_free(Instant::now()) {
        return Ok(());
    }
    let Some(order) = control.order() else { return Ok(()) };
    let written = line.write_all(&order.bytes).and_then(|()| line.flush());
    if !order.answer.is_empty() {
        talk.ordered(Instant::now() + order.patience);
    }
    let became = written.as_ref().map_or_else(|error| Ordered::NotSent(error.to_string()), |()| Ordered::Sent);
    inlet.tell(&LinkEvent::Ordered { order, became }, host_now_us());
    written
}

/// Sends what is due, and says what came of it.
fn speak(line: &mut dyn LiveLine, talk: &mut Talk, inlet: &Inlet) -> io::Result<()> {
    let now = Instant::now();
    match talk.due(now) {
        Some(Say::Request { request, bytes, answered }) => {
            inlet.tell(&LinkEvent::Asked { request, answered }, host_now_us());
            line.write_all(&bytes)?;
        }
        Some(Say::Start { bytes, silent }) => {
            line.write_all(&bytes)?;
            let words = format!("nothing came for {:.1} s: the start command was sent again", silent.as_secs_f64());
            inlet.tell(&LinkEvent::Said { words }, host_now_us());
        }
        None => {}
    }
    let words = talk.news().map(|news| match news {
        Answers::Missing { request } => format!("request {} was not answered in time; asking on", request + 1),
        Answers::Again { missed } => format!("requests are answered again; {missed} were not"),
    });
    if let Some(words) = words {
        inlet.tell(&LinkEvent::Said { words }, host_now_us());
    }
    match talk.patience(now) {
        Some(patience) => line.set_patience(patience.clamp(Duration::from_millis(1), READ_PATIENCE)),
        None => Ok(()),
    }
}

fn is_patience(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted)
}

/// Tries until it opens; `None` where it was stopped first.
fn reopen(target: &mut Target, control: &Control) -> Option<(Box<dyn LiveLine>, u32)> {
    let mut pause = SHORTEST_BACK_OFF;
    let mut attempts = 0;
    loop {
        if control.wait(pause) {
            return None;
        }
        attempts += 1;
        match target.open() {
            Ok(line) => return Some((line, attempts)),
            Err(_) => pause = (pause * 2).min(LONGEST_BACK_OFF),
        }
    }
}

/// Reads a file or a pipe to its end. It waits for room, so nothing is lost.
pub fn run_to_end(mut from: impl Read, what: String, inlet: &Inlet, control: &Control) {
    inlet.tell(&LinkEvent::Up { what }, host_now_us());
    let mut buffer = vec![0; CHUNK];
    let fault = loop {
        if control.is_stopped() {
            break None;
        }
        match from.read(&mut buffer) {
            Ok(0) => break None,
            Ok(count) => {
                if !inlet.wait_and_put(&buffer[..count], host_now_us()) {
                    break None;
                }
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => break Some(format!("reading failed: {error}")),
        }
    };
    inlet.tell(&LinkEvent::Ended { fault }, host_now_us());
}

/// What to tell when a serial port does not open.
pub fn serial_advice(error: &io::Error) -> String {
    let advice = match error.kind() {
        io::ErrorKind::PermissionDenied => "you may not use it: join the group that owns it, or ask the administrator; ",
        io::ErrorKind::ResourceBusy => "another program is using it; ",
        _ => "",
    };
    format!("{advice}{}", ports::in_words())
}

/// Starts a named thread.
pub fn spawn(name: &str, work: impl FnOnce() + Send + 'static) -> io::Result<()> {
    std::thread::Builder::new().name(name.to_owned()).spawn(work).map(drop)
}

//! The terminal itself: taken over and given back, drawn on through a thread of its own, its keys read in another.
//! A terminal that hangs or goes away holds up those two threads and nothing else.

use super::pace::TerminalPace;
use super::sparing::SparingBackend;
use super::{Owed, Surface};
use crate::console::state::App;
use crate::console::view;
use crate::platform;
use ratatui::Terminal;
use ratatui::backend::{Backend, ClearType};
use ratatui::crossterm::event::{self, DisableBracketedPaste, EnableBracketedPaste, Event as TerminalEvent};
use ratatui::crossterm::terminal::{
    BeginSynchronizedUpdate, EndSynchronizedUpdate, EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode,
};
use ratatui::crossterm::{cursor, execute, queue, style, terminal};
use ratatui::layout::Size;
use std::io::{self, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, Once, PoisonError, mpsc as std_mpsc};
use std::thread::ThreadId;
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

/// Whether the terminal is in our hands: then a panic must give it back.
static TAKEN: AtomicBool = AtomicBool::new(false);
static HOOK: Once = Once::new();
/// The thread the console runs on.
static OWNER: Mutex<Option<ThreadId>> = Mutex::new(None);
/// Faults told by other threads while the screen was up; printed once it is down.
static ELSEWHERE: Mutex<Vec<String>> = Mutex::new(Vec::new());

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn take_over() -> io::Result<()> {
    HOOK.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            let ours = *locked(&OWNER) == Some(std::thread::current().id());
            if TAKEN.load(Ordering::SeqCst) && !ours {
                // The screen goes on and says what has stopped; the words must not run across it.
                locked(&ELSEWHERE).push(info.to_string());
                return;
            }
            give_back();
            before(info);
        }));
    });
    *locked(&OWNER) = Some(std::thread::current().id());
    // Whether there are colours is a matter of the theme; mono has none.
    style::force_color_output(true);
    enable_raw_mode()?;
    TAKEN.store(true, Ordering::SeqCst);
    execute!(io::stdout(), EnterAlternateScreen, EnableBracketedPaste, cursor::Hide)
}

/// Undoes exactly what [`take_over`] did, once.
fn give_back() {
    if !TAKEN.swap(false, Ordering::SeqCst) {
        return;
    }
    // A terminal that is gone cannot be restored; there is nobody to tell.
    let _ = execute!(io::stdout(), EndSynchronizedUpdate, style::ResetColor, DisableBracketedPaste, LeaveAlternateScreen, cursor::Show);
    let _ = disable_raw_mode();
    for words in locked(&ELSEWHERE).drain(..) {
        let _ = writeln!(io::stderr(), "while the screen was up, {}", crate::console::safe_text(&words));
    }
}

/// Collects one picture's bytes.
#[derive(Clone, Default)]
pub(super) struct Frame(Arc<Mutex<Vec<u8>>>);

impl Frame {
    pub(super) fn len(&self) -> usize {
        locked(&self.0).len()
    }

    pub(super) fn take(&self) -> Vec<u8> {
        std::mem::take(&mut *locked(&self.0))
    }
}

impl Write for Frame {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        locked(&self.0).extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

pub struct TerminalSurface {
    terminal: Terminal<SparingBackend>,
    frame: Frame,
    pictures: std_mpsc::SyncSender<Vec<u8>>,
    /// Set while a picture is on its way out.
    busy: Arc<AtomicBool>,
    broken: Arc<AtomicBool>,
    pace: Arc<Mutex<TerminalPace>>,
    /// A bell waits for the next picture.
    rings: bool,
}

/// How often it is looked whether a picture has gone out.
const BUSY: Duration = Duration::from_millis(5);
/// Bytes sent to see how fast they arrive.
const PROBE: usize = 600;
/// What arrives sooner than this is as good as at once.
const AT_ONCE: Duration = Duration::from_millis(15);

/// Bytes a second that arrive at a terminal elsewhere; `None` where they arrive as good as at once, or where it does not
/// answer. Nobody but this reads its answers yet.
fn measure() -> Option<f64> {
    // Moves of a hidden cursor, no two alike, so that a link which packs its bytes finds little to pack.
    let moves = (0..).map(|step: usize| format!("\x1b[{};{}H", 1 + step * 7 % 20, 1 + step * 31 % 59));
    let mut probe = String::new();
    for step in moves {
        if probe.len() >= PROBE {
            break;
        }
        probe.push_str(&step);
    }
    let answered = |bytes: &str| -> Option<Duration> {
        let since = Instant::now();
        io::stdout().write_all(bytes.as_bytes()).ok()?;
        cursor::position().ok()?;
        Some(since.elapsed())
    };
    let nothing = answered("")?;
    let arriving = answered(&probe)?.checked_sub(nothing)?;
    (arriving > AT_ONCE).then(|| probe.len() as f64 / arriving.as_secs_f64())
}

fn size_now() -> io::Result<Size> {
    terminal::size().map(|(width, height)| Size { width, height })
}

impl TerminalSurface {
    pub fn open() -> io::Result<Self> {
        if !platform::terminal_is_there() {
            return Err(io::Error::other("the output is not a terminal"));
        }
        let frame = Frame::default();
        let terminal = Terminal::new(SparingBackend::new(frame.clone(), size_now))?;
        if let Err(error) = take_over() {
            give_back();
            return Err(error);
        }
        let (busy, broken) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let pace = Arc::new(Mutex::new(TerminalPace::measured(if platform::terminal_is_elsewhere() { measure() } else { None })));
        let writer_pace = pace.clone();
        let (pictures, queue) = std_mpsc::sync_channel::<Vec<u8>>(1);
        let (writer_busy, writer_broken) = (busy.clone(), broken.clone());
        let spawned = std::thread::Builder::new().name("screen".to_owned()).spawn(move || {
            while let Ok(bytes) = queue.recv() {
                let mut out = io::stdout().lock();
                let began = Instant::now();
                if out.write_all(&bytes).and_then(|()| out.flush()).is_err() {
                    writer_broken.store(true, Ordering::SeqCst);
                }
                drop(out);
                locked(&writer_pace).wrote(began, Instant::now(), bytes.len());
                writer_busy.store(false, Ordering::SeqCst);
            }
        });
        if let Err(error) = spawned {
            give_back();
            return Err(error);
        }
        Ok(Self { terminal, frame, pictures, busy, broken, pace, rings: false })
    }

    fn send(&self, bytes: Vec<u8>) {
        self.busy.store(true, Ordering::SeqCst);
        if self.pictures.try_send(bytes).is_err() {
            self.broken.store(true, Ordering::SeqCst);
        }
    }
}

impl Surface for TerminalSurface {
    fn ready_in(&self, pressed: bool) -> Duration {
        if self.busy.load(Ordering::SeqCst) {
            return BUSY;
        }
        locked(&self.pace).wait(pressed, Instant::now())
    }

    fn draw(&mut self, app: &App) -> io::Result<()> {
        self.terminal.backend_mut().piece = locked(&self.pace).piece(Instant::now());
        queue!(self.frame, BeginSynchronizedUpdate)?;
        let empty = self.frame.len();
        self.terminal.draw(|frame| view::draw(app, frame))?;
        if self.frame.len() == empty && !self.rings {
            // Nothing has changed: nothing goes out.
            self.frame.take();
            return Ok(());
        }
        queue!(self.frame, EndSynchronizedUpdate)?;
        self.rings = false;
        self.send(self.frame.take());
        Ok(())
    }

    fn asked(&mut self) {
        self.terminal.backend_mut().ask();
    }

    fn rest(&self) -> Owed {
        self.terminal.backend().rest()
    }

    fn start_over(&mut self) -> io::Result<()> {
        self.terminal = Terminal::new(SparingBackend::new(self.frame.clone(), size_now))?;
        self.terminal.backend_mut().clear_region(ClearType::All)
    }

    fn bell(&mut self) {
        // Goes out with the next picture, which an alarm always brings with it.
        let _ = self.frame.write_all(b"\x07");
        self.rings = true;
    }

    fn is_there(&self) -> bool {
        !self.broken.load(Ordering::SeqCst) && platform::terminal_is_there()
    }
}

impl Drop for TerminalSurface {
    fn drop(&mut self) {
        // The last picture goes out first; a terminal that does not take it is left as it is.
        let since = Instant::now();
        while self.busy.load(Ordering::SeqCst) && since.elapsed() < Duration::from_millis(500) {
            std::thread::sleep(Duration::from_millis(5));
        }
        if self.busy.load(Ordering::SeqCst) {
            TAKEN.store(false, Ordering::SeqCst);
            let _ = disable_raw_mode();
        } else {
            give_back();
        }
    }
}

/// Reads keys in a thread that nothing waits for: where the terminal vanishes, its poll may never return.
pub fn read_input() -> mpsc::Receiver<TerminalEvent> {
    let (events, received) = mpsc::channel(256);
    let read = move || {
        while !events.is_closed() {
            // A key ends the poll at once; its own waking, which costs a millisecond each, only looks whether anyone still listens.
            match event::poll(Duration::from_secs(1)) {
                Ok(false) => {}
                Ok(true) => match event::read() {
                    Ok(event) => {
                        if events.blocking_send(event).is_err() {
                            return;
                        }
                    }
                    Err(_) => return,
                },
                Err(_) => return,
            }
        }
    };
    // Without the thread the channel closes at once and the screen is there to be looked at.
    let _ = std::thread::Builder::new().name("keys".to_owned()).spawn(read);
    received
}

//! `backwall simulate`: the virtual crawler as a file, a TCP server or a pseudo-terminal.

use anyhow::{Context, bail};
use backwall_simulate::{Crawler, StreamEnd, VirtualWall};
use backwall_units::{Frequency, Length, parse_number};
use clap::Args;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// The wall of the bundled demo; invented.
pub(super) const DEMO_WALL: &str = include_str!("../../demo-stream/wall.toml");

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum SendPace {
    /// As fast as the crawler would send.
    Device,
    /// As fast as this machine can.
    Max,
}

/// Simulate a crawler on a wall described in TOML: everything it sends is invented.
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("to").required(true).args(["out", "tcp", "serial"])))]
pub struct SimulateArgs {
    /// The wall, as TOML; without it the invented demo wall
    #[arg(long, value_name = "FILE.toml")]
    pub wall: Option<PathBuf>,
    /// Which line of the wall to drive; the first one without it
    #[arg(long, conflicts_with = "block")]
    pub line: Option<String>,
    /// Instead of driving a line, stay on a flat block of this thickness in mm (for calibration)
    #[arg(long, value_name = "MM", value_parser = parse_number)]
    pub block: Option<f64>,
    /// Write the stream to a file, or - for standard output
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Serve the stream to each client that connects, from its start, one after the other
    #[arg(long, value_name = "HOST:PORT")]
    pub tcp: Option<String>,
    /// Send the stream through a pseudo-terminal and print its path
    #[arg(long)]
    pub serial: bool,
    /// How fast; a file is written at full speed, other targets at the device's pace, unless given
    #[arg(long, value_enum)]
    pub pace: Option<SendPace>,
    /// Seed, instead of the wall file's
    #[arg(long)]
    pub seed: Option<u64>,
    /// Shot rate, instead of the wall file's
    #[arg(long, value_name = "HZ", value_parser = parse_number)]
    pub rate: Option<f64>,
    /// Samples of each shot, instead of the wall file's
    #[arg(long, value_name = "N")]
    pub samples: Option<u16>,
    /// End after this many seconds of device time; a shorter drive goes back and forth
    #[arg(long, value_name = "S", conflicts_with_all = ["shots", "endless"], value_parser = parse_number)]
    pub seconds: Option<f64>,
    /// End after this many shots
    #[arg(long, value_name = "N", conflicts_with = "endless")]
    pub shots: Option<u64>,
    /// Never end: drive back and forth
    #[arg(long = "loop")]
    pub endless: bool,
    /// With --tcp: end after the first client
    #[arg(long, requires = "tcp")]
    pub once: bool,
}

pub fn run(args: SimulateArgs) -> anyhow::Result<()> {
    let wall = read_wall(&args)?;
    let start = || start(&wall, &args);
    if let Some(path) = &args.out {
        write_file(path, start()?, args.pace.unwrap_or(SendPace::Max))
    } else if let Some(address) = &args.tcp {
        serve(address, &start, args.pace.unwrap_or(SendPace::Device), args.once)
    } else {
        serial::run(&start, args.pace.unwrap_or(SendPace::Device))
    }
}

fn read_wall(args: &SimulateArgs) -> anyhow::Result<VirtualWall> {
    let (name, text) = match &args.wall {
        Some(path) => {
            let text = backwall_store::small_file::text(path)
                .with_context(|| format!("cannot read the wall {}: check the path", path.display()))?;
            (path.display().to_string(), text)
        }
        None => ("demo-stream/wall.toml".to_owned(), DEMO_WALL.to_owned()),
    };
    let mut wall = VirtualWall::parse(&name, &text)?;
    if let Some(seed) = args.seed {
        wall.seed = seed;
    }
    if let Some(rate) = args.rate {
        if !(0.1..=100_000.0).contains(&rate) {
            bail!("--rate {rate}: give between 0.1 and 100000 shots a second");
        }
        wall.device.shot_rate = Frequency::hz(rate);
    }
    if let Some(samples) = args.samples {
        if !(16..=32_000).contains(&samples) {
            bail!("--samples {samples}: give between 16 and 32000");
        }
        wall.receiver.samples = samples;
    }
    if let Some(seconds) = args.seconds
        && !(seconds > 0.0 && seconds < 1e9)
    {
        bail!("--seconds {seconds}: give a time greater than 0");
    }
    Ok(wall)
}

fn start(wall: &VirtualWall, args: &SimulateArgs) -> anyhow::Result<Crawler> {
    let end = match (args.shots, args.seconds) {
        (Some(shots), _) => StreamEnd::Shots(shots),
        (None, Some(seconds)) => StreamEnd::Seconds(seconds),
        _ if args.endless || args.serial => StreamEnd::Never,
        _ => StreamEnd::Drive,
    };
    if let Some(block) = args.block {
        return Ok(Crawler::on_block(wall, Length::mm(block), end)?);
    }
    let line = match (&args.line, wall.lines.first()) {
        (Some(name), _) => name.clone(),
        (None, Some(line)) => line.name.clone(),
        (None, None) => bail!("the wall '{}' has no [[line]] to drive: add one, or give --block MM", wall.name),
    };
    Ok(Crawler::on_line(wall, &line, end)?)
}

fn write_file(path: &Path, crawler: Crawler, pace: SendPace) -> anyhow::Result<()> {
    if path.as_os_str() == "-" {
        send(crawler, BufWriter::new(std::io::stdout().lock()), pace).context("cannot write to standard output")?;
        return Ok(());
    }
    let file = std::fs::File::create(path).with_context(|| format!("cannot create {}: check the folder", path.display()))?;
    let sent = send(crawler, BufWriter::new(file), pace)
        .with_context(|| format!("cannot write {}: check the space on the disk", path.display()))?;
    say!("{}: {} shots, {} bytes, {:.1} s of device time", path.display(), sent.shots, sent.bytes, sent.seconds);
    Ok(())
}

#[derive(Debug, Default)]
struct SentSoFar {
    shots: u64,
    bytes: u64,
    seconds: f64,
}

/// Sends a whole stream, each frame when the device would.
fn send(mut crawler: Crawler, mut to: impl Write, pace: SendPace) -> std::io::Result<SentSoFar> {
    let begun = Instant::now();
    let mut sent = SentSoFar::default();
    let mut frame = Vec::new();
    while let Some(time) = crawler.next_frame(&mut frame) {
        if pace == SendPace::Device {
            let due = Duration::from_micros(time.us);
            if let Some(wait) = due.checked_sub(begun.elapsed()).filter(|wait| *wait > Duration::from_millis(1)) {
                to.flush()?;
                std::thread::sleep(wait);
            }
        }
        to.write_all(&frame)?;
        sent.bytes += frame.len() as u64;
        sent.seconds = time.us as f64 / 1e6;
        frame.clear();
    }
    to.flush()?;
    sent.shots = crawler.shots();
    Ok(sent)
}

fn serve(address: &str, start: &dyn Fn() -> anyhow::Result<Crawler>, pace: SendPace, once: bool) -> anyhow::Result<()> {
    let listener = std::net::TcpListener::bind(address)
        .with_context(|| format!("cannot listen on {address}: is the port taken, or the address not of this machine?"))?;
    start()?;
    say!("listening on {}", listener.local_addr()?);
    std::io::stdout().flush()?;
    loop {
        let (client, from) = match listener.accept() {
            Ok(accepted) => accepted,
            Err(error) => {
                eprintln!("a client could not connect: {error}");
                std::thread::sleep(Duration::from_millis(100));
                continue;
            }
        };
        say!("{from} connected");
        // A frame waits for nothing; without this small ones would be held back.
        let _ = client.set_nodelay(true);
        match send(start()?, BufWriter::new(client), pace) {
            Ok(sent) => say!("{from}: {} shots sent, stream ended", sent.shots),
            Err(error) => say!("{from} left: {error}"),
        }
        if once {
            return Ok(());
        }
    }
}

#[cfg(unix)]
mod serial {
    //! The pseudo-terminal: Unix has them, Windows has none.

    use super::*;
    use serialport::{SerialPort, TTYPort};

    /// A serial line does not wait: what is not read in time is lost, as on a real one.
    struct Line {
        port: TTYPort,
        dropped: u64,
    }

    impl Write for Line {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            match self.port.write(bytes) {
                Err(error) if matches!(error.kind(), std::io::ErrorKind::TimedOut | std::io::ErrorKind::WouldBlock) => {
                    self.dropped += bytes.len() as u64;
                    Ok(bytes.len())
                }
                other => other,
            }
        }
        fn flush(&mut self) -> std::io::Result<()> {
            // Draining would wait for a reader that may never come.
            Ok(())
        }
    }

    pub fn run(start: &dyn Fn() -> anyhow::Result<Crawler>, pace: SendPace) -> anyhow::Result<()> {
        let crawler = start()?;
        let (mut near, far) = TTYPort::pair().context("cannot open a pseudo-terminal: use --tcp instead")?;
        near.set_timeout(Duration::from_millis(20)).context("cannot set up the pseudo-terminal: use --tcp instead")?;
        let path = far.name().context("the pseudo-terminal has no path: use --tcp instead")?;
        say!("serial:{path}");
        std::io::stdout().flush()?;
        let mut line = Line { port: near, dropped: 0 };
        let sent = send(crawler, &mut line, pace).with_context(|| format!("cannot write to {path}"))?;
        say!("{} shots, {} bytes sent, {} of them not read", sent.shots, sent.bytes, line.dropped);
        // The far end is held open to here: without it, writing fails while no reader is there.
        drop(far);
        Ok(())
    }
}

#[cfg(not(unix))]
mod serial {
    //! Windows has no pseudo-terminal that opens as a COM port.

    use super::*;

    pub fn run(_start: &dyn Fn() -> anyhow::Result<Crawler>, _pace: SendPace) -> anyhow::Result<()> {
        bail!("--serial needs a pseudo-terminal, which Windows does not have: use --tcp, or bridge --tcp to a virtual COM port pair")
    }
}

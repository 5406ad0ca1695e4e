//! How often a terminal that takes its bytes slowly is drawn on. What lies in the buffers between here and the glass
//! cannot be taken back: a picture goes out only when the one before has arrived, so that what a key does is seen next
//! and not behind a queue of older pictures. What changes by itself leaves the link free half of the time.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

/// A write that takes longer than this was held up by the terminal.
const HELD_UP: Duration = Duration::from_millis(50);
/// A key need not wait until the very last bytes have arrived.
const NEARLY: Duration = Duration::from_millis(150);
/// However slow, what changes by itself is drawn this often.
const LONGEST: Duration = Duration::from_secs(5);
/// Over how long it is looked how much has gone out.
const MEMORY: Duration = Duration::from_secs(60);
/// How long a terminal that held up a write is taken to be slow at first: it may only have been stopped for a while.
const SUSPECTED: Duration = Duration::from_secs(15);
const CERTAIN: Duration = Duration::from_secs(3600);
/// A terminal that takes so many bytes a second is drawn on at once: a whole picture of a large window takes it a third of a second.
const AT_ONCE: f64 = 30_000.0;
/// A slower one gets a picture in pieces that take about so long, but not in crumbs.
const PIECE_S: f64 = 0.6;
const LEAST_PIECE: f64 = 300.0;

/// What is known of the way to the terminal.
#[derive(Debug, Default)]
pub struct TerminalPace {
    rate: Option<TerminalRate>,
    /// When a write began, and what went out with it.
    written: VecDeque<(Instant, usize)>,
    /// Bytes on their way, and when that was so.
    on_their_way: Option<(f64, Instant)>,
    /// Until then nothing is drawn that no key has asked for.
    held_back: Option<Instant>,
}

#[derive(Debug, Clone, Copy)]
struct TerminalRate {
    bytes_per_s: f64,
    /// Until when it is believed; what was measured is believed always.
    believed: Option<(Duration, Instant)>,
}

impl TerminalPace {
    /// A way whose rate was measured, where it is slow enough to matter.
    pub fn measured(bytes_per_s: Option<f64>) -> Self {
        Self { rate: bytes_per_s.map(|bytes_per_s| TerminalRate { bytes_per_s, believed: None }), ..Self::default() }
    }

    fn rate(&self, now: Instant) -> Option<f64> {
        self.rate.filter(|rate| rate.believed.is_none_or(|(_, until)| now < until)).map(|rate| rate.bytes_per_s)
    }

    /// How many bytes of a picture go out at a time; all of them where it does not matter.
    pub fn piece(&self, now: Instant) -> Option<usize> {
        self.rate(now).filter(|rate| *rate < AT_ONCE).map(|rate| (rate * PIECE_S).max(LEAST_PIECE) as usize)
    }

    /// Takes note of a write.
    pub fn wrote(&mut self, began: Instant, ended: Instant, bytes: usize) {
        self.written.retain(|(at, _)| ended.duration_since(*at) < MEMORY);
        self.written.push_back((began, bytes));
        let took = ended.duration_since(began);
        if took >= HELD_UP {
            let before = self.rate.and_then(|rate| rate.believed);
            // Held up again soon after it was thought to be fast, which buffers hide for a while: it is slow indeed.
            let long = before.filter(|(long, until)| ended < *until + *long * 4).map_or(SUSPECTED, |(long, _)| (long * 2).min(CERTAIN));
            self.rate = Some(TerminalRate { bytes_per_s: self.taken(ended), believed: Some((long, ended + long)) });
            self.on_their_way = Some((0.0, ended));
            self.held_back = Some(ended + took.min(LONGEST));
            return;
        }
        let still = self.still_on_their_way(ended);
        self.on_their_way = Some((still + bytes as f64, ended));
    }

    /// Bytes a second the terminal has taken up to the end of a write that was held up. Buffers take the first bytes at
    /// once and time without anything to write counts for nothing: of all the times it may have begun to be busy, the one
    /// that gives the highest rate.
    fn taken(&self, ended: Instant) -> f64 {
        let mut sum = 0.0;
        let mut highest: f64 = 1.0;
        for (began, bytes) in self.written.iter().rev() {
            sum += *bytes as f64;
            highest = highest.max(sum / ended.duration_since(*began).as_secs_f64().max(1e-3));
        }
        highest
    }

    fn still_on_their_way(&self, now: Instant) -> f64 {
        match (self.on_their_way, self.rate(now)) {
            (Some((bytes, at)), Some(rate)) => (bytes - rate * now.saturating_duration_since(at).as_secs_f64()).max(0.0),
            _ => 0.0,
        }
    }

    /// How long to wait before the next picture is made; `pressed` when a key asks for it.
    pub fn wait(&self, pressed: bool, now: Instant) -> Duration {
        let Some(rate) = self.rate(now) else { return Duration::ZERO };
        if pressed {
            return Duration::from_secs_f64(self.still_on_their_way(now) / rate).saturating_sub(NEARLY);
        }
        let (bytes, at) = self.on_their_way.unwrap_or((0.0, now));
        let quiet = at + Duration::from_secs_f64(2.0 * bytes / rate).min(LONGEST);
        quiet.max(self.held_back.unwrap_or(now)).saturating_duration_since(now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(count: u64) -> Duration {
        Duration::from_millis(count)
    }

    #[test]
    fn a_terminal_that_takes_everything_at_once_is_never_waited_for() {
        let (mut pace, start) = (TerminalPace::default(), Instant::now());
        for picture in 0..200 {
            let at = start + ms(50) * picture;
            assert_eq!((pace.wait(false, at), pace.wait(true, at)), (Duration::ZERO, Duration::ZERO));
            pace.wrote(at, at + ms(1), 5000);
        }
    }

    // Arithmetic: 0.6 s of 1200 bytes a second.
    #[test]
    fn a_slow_terminal_gets_a_picture_in_pieces_and_a_fast_one_whole() {
        let piece = |rate| TerminalPace::measured(rate).piece(Instant::now());
        assert_eq!([piece(Some(1200.0)), piece(Some(100.0)), piece(Some(200_000.0)), piece(None)], [Some(720), Some(300), None, None]);
    }

    // Arithmetic: 1200 bytes at 1200 bytes a second take a second.
    #[test]
    fn a_picture_waits_until_the_one_before_has_arrived() {
        let (mut pace, start) = (TerminalPace::measured(Some(1200.0)), Instant::now());
        pace.wrote(start, start, 1200);
        assert_eq!(pace.wait(true, start), ms(850));
        assert_eq!(pace.wait(true, start + ms(500)), ms(350));
        assert_eq!(pace.wait(true, start + ms(850)), Duration::ZERO);
        assert_eq!(pace.wait(false, start + ms(850)), ms(1150));
        assert_eq!(pace.wait(false, start + ms(2000)), Duration::ZERO);
        // What was not waited for adds up.
        pace.wrote(start + ms(500), start + ms(500), 1200);
        assert_eq!(pace.wait(true, start + ms(500)), ms(1350));
    }

    // As a pseudo-terminal does that is read at 1200 bytes a second: it takes 19 kB at once, then nothing until it is empty.
    #[test]
    fn a_write_that_is_held_up_tells_how_slow_the_terminal_is() {
        let (mut pace, start) = (TerminalPace::default(), Instant::now() + Duration::from_secs(100));
        pace.wrote(start - Duration::from_secs(30), start - Duration::from_secs(30), 600);
        for picture in 0..32 {
            pace.wrote(start + ms(50) * picture, start + ms(50) * picture, 600);
        }
        let ended = start + ms(16_500);
        pace.wrote(start + ms(1600), ended, 600);
        assert!((pace.rate(ended).unwrap() - 1200.0).abs() < 1.0, "{:?}", pace.rate(ended));
        assert_eq!((pace.wait(true, ended), pace.wait(false, ended)), (Duration::ZERO, LONGEST));
        // Believed for a while, and for longer when it happens again.
        assert_eq!(pace.rate(ended + SUSPECTED), None);
        let again = ended + SUSPECTED + ms(5000);
        pace.wrote(again - ms(1000), again, 1200);
        assert!(pace.rate(again + SUSPECTED).is_some() && pace.rate(again + 2 * SUSPECTED).is_none());
    }
}

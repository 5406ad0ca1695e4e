//! What is said to a device while it is read: requests in turn where it only answers, and its start command again where it
//! has fallen silent. Knows no line and no clock: moments come in.

use super::framing::{FrameCut, Framer};
use super::profile::{Poll, Profile};
use std::time::{Duration, Instant};

/// The start command is sent again at the latest after this.
const LONGEST_SILENCE: Duration = Duration::from_secs(60);

/// What is to be sent now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Say {
    /// The request of this number, and whether the one before was answered.
    Request { request: usize, bytes: Vec<u8>, answered: bool },
    /// The start command, after so much silence.
    Start { bytes: Vec<u8>, silent: Duration },
}

/// How answers come: news for whoever reads along.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answers {
    /// This request was not answered in time, after one that was.
    Missing { request: usize },
    /// They come again.
    Again { missed: u64 },
}

/// One conversation; a line that is opened again begins another.
pub struct Talk {
    start: Option<(Vec<u8>, Duration)>,
    heard: Instant,
    /// So much silence until the next start command.
    pause: Duration,
    asking: Option<TalkState>,
    /// Until then an order's answer may come, and nothing is asked.
    ordered: Option<Instant>,
}

struct TalkState {
    poll: Poll,
    framer: Framer,
    request: usize,
    sent: Option<Instant>,
    answered: bool,
    missed: u64,
    news: Option<Answers>,
}

impl Talk {
    pub fn new(profile: &Profile, now: Instant) -> Self {
        let start = profile.start_again().map(|again| (profile.start_command().to_vec(), again));
        let asking = profile.poll.clone().map(|poll| TalkState {
            framer: profile.framer(),
            request: poll.requests.len() - 1,
            poll,
            sent: None,
            answered: true,
            missed: 0,
            news: None,
        });
        Self { ordered: None, pause: start.as_ref().map_or(LONGEST_SILENCE, |start| start.1), start, heard: now, asking }
    }

    /// Takes what the device sent.
    pub fn heard(&mut self, bytes: &[u8], now: Instant) {
        self.heard = now;
        self.pause = self.start.as_ref().map_or(LONGEST_SILENCE, |start| start.1);
        if let Some(asking) = &mut self.asking {
            let mut whole = false;
            asking.framer.push(bytes, &mut |cut: FrameCut<'_>| {
                let good = matches!(cut, FrameCut::Frame { .. });
                whole |= good;
                good
            });
            if whole && self.ordered.take().is_some() {
                // It answers the order.
            } else if whole && !asking.answered {
                asking.answered = true;
                let missed = std::mem::take(&mut asking.missed);
                asking.news = (missed > 0).then_some(Answers::Again { missed });
            }
        }
    }

    /// What is to be sent now, if anything.
    pub fn due(&mut self, now: Instant) -> Option<Say> {
        if self.asking.is_some() && self.ordered.is_some_and(|until| now < until) {
            return None;
        }
        if let Some(asking) = &mut self.asking
            && let Some(say) = asking.due(now)
        {
            return Some(say);
        }
        let (start, _) = self.start.as_ref()?;
        let silent = now.duration_since(self.heard);
        if silent < self.pause {
            return None;
        }
        self.heard = now;
        self.pause = (self.pause * 2).min(LONGEST_SILENCE);
        Some(Say::Start { bytes: start.clone(), silent })
    }

    /// Whether an order may be sent: a device that is asked something answers that first.
    pub fn is_free(&self, now: Instant) -> bool {
        let waits = self.ordered.is_some_and(|until| now < until);
        let busy = self.asking.as_ref().is_some_and(|asking| asking.is_open(now));
        !waits && !busy
    }

    /// An order was sent whose answer may come until then.
    pub fn ordered(&mut self, until: Instant) {
        self.ordered = Some(until);
    }

    /// News about the answers.
    pub fn news(&mut self) -> Option<Answers> {
        self.asking.as_mut()?.news.take()
    }

    /// Whether the device is asked for what it sends: the next question waits for the answer.
    pub fn is_asking(&self) -> bool {
        self.asking.is_some()
    }

    /// How long nothing is to be sent, if nothing comes.
    pub fn patience(&self, now: Instant) -> Option<Duration> {
        let asking = self.asking.as_ref()?;
        let wait = if asking.answered { asking.poll.period } else { asking.poll.patience };
        Some(asking.sent.map_or(Duration::ZERO, |sent| (sent + wait).saturating_duration_since(now)))
    }
}

impl TalkState {
    /// Whether the answer to the last request may still come.
    fn is_open(&self, now: Instant) -> bool {
        !self.answered && self.sent.is_some_and(|sent| now.duration_since(sent) < self.poll.patience)
    }

    fn due(&mut self, now: Instant) -> Option<Say> {
        let passed = self.sent.map(|sent| now.duration_since(sent));
        let answered = self.answered;
        match passed {
            Some(passed) if answered && passed < self.poll.period => return None,
            Some(passed) if !answered && passed < self.poll.patience => return None,
            Some(_) if !answered => {
                self.missed += 1;
                if self.missed == 1 {
                    self.news = Some(Answers::Missing { request: self.request });
                }
                // What comes of it later could not be known from the next answer.
                self.framer.forget();
            }
            _ => {}
        }
        self.request = (self.request + 1) % self.poll.requests.len();
        (self.sent, self.answered) = (Some(now), false);
        Some(Say::Request { request: self.request, bytes: self.poll.requests[self.request].clone(), answered })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn profile(more: &str) -> Profile {
        let text = format!(
            "name = \"t\"\n[framing]\nkind = \"line\"\n[[record]]\nkind = \"gauge\"\nfields = [{{ meaning = \"thickness\", column = 1, unit = \"mm\" }}]\n{more}"
        );
        Profile::parse("t.toml", &text).unwrap()
    }

    #[test]
    fn requests_are_sent_in_turn_as_answers_come_and_again_where_none_does() {
        let began = Instant::now();
        let at = |ms: u64| began + Duration::from_millis(ms);
        let mut talk = Talk::new(&profile("[poll]\nrequests = [\"A\", \"B\"]\nperiod_ms = 20\ntimeout_ms = 100\n"), began);
        let ask = |request: usize, answered: bool| Some(Say::Request { request, bytes: vec![b"AB"[request]], answered });
        assert_eq!((talk.due(at(0)), talk.due(at(1))), (ask(0, true), None));
        talk.heard(b"9.", at(5));
        assert_eq!(talk.due(at(30)), None, "half an answer");
        talk.heard(b"84\n", at(31));
        assert_eq!((talk.due(at(31)), talk.news()), (ask(1, true), None));
        assert_eq!((talk.due(at(130)), talk.patience(at(130))), (None, Some(Duration::from_millis(1))));
        assert_eq!((talk.due(at(131)), talk.news()), (ask(0, false), Some(Answers::Missing { request: 1 })));
        assert_eq!((talk.due(at(231)), talk.news()), (ask(1, false), None), "said once");
        talk.heard(b"9.84\n", at(240));
        assert_eq!(talk.news(), Some(Answers::Again { missed: 2 }));
        assert_eq!((talk.due(at(250)), talk.due(at(251))), (None, ask(0, true)), "the period is kept");
    }

    #[test]
    fn a_device_that_falls_silent_is_started_again_and_less_and_less_often() {
        let began = Instant::now();
        let at = |s: u64| began + Duration::from_secs(s);
        let start = |silent: u64| Some(Say::Start { bytes: b"GO".to_vec(), silent: Duration::from_secs(silent) });
        let mut talk = Talk::new(&profile("[send]\nstart = \"GO\"\n"), began);
        let said: Vec<u64> = (0..20).filter(|s| talk.due(at(*s)).is_some()).collect();
        assert_eq!(said, [3, 9]);
        talk.heard(b"x", at(20));
        assert_eq!((talk.due(at(22)), talk.due(at(23))), (None, start(3)));
        assert_eq!(Talk::new(&profile("[send]\nstart = \"GO\"\nstart_again_s = 0\n"), began).due(at(100)), None);
        assert_eq!(Talk::new(&profile(""), began).due(at(100)), None);
    }
}

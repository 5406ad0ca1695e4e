//! What is said in the line above the keys, so that nothing is overwritten unread: an answer to a key is shown at once, news that nobody
//! asked for wait until they have been in sight for a while.

use super::super::Step;
use super::super::text;
use super::super::theme::Role;
use super::App;
use backwall_survey::strip::Spot;

/// Something that is said.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    pub role: Role,
    pub text: String,
    /// When it was said.
    said_us: i64,
    /// When it came in sight.
    since_us: i64,
    /// Nobody pressed a key for it.
    is_news: bool,
}

/// A line is read in so long.
const READ_US: i64 = 5_000_000;
/// News leave a line that an alarm, or what is due, has to share with them.
const LEAVES_US: i64 = 10_000_000;
/// What a key was answered with, and was not read, comes back for so long: later it may no longer be true.
const COMES_BACK_US: i64 = 20_000_000;

impl Message {
    /// Whether it may not be overwritten yet; a fault is never an answer to be passed over.
    fn is_unread(&self, now_us: i64) -> bool {
        (self.is_news || self.role == Role::Fault) && now_us - self.since_us < READ_US
    }

    fn is_true_no_longer(&self, now_us: i64) -> bool {
        !self.is_news && now_us - self.said_us > COMES_BACK_US
    }
}

impl App {
    /// Answers what was just done.
    pub fn say(&mut self, role: Role, words: impl Into<String>) {
        self.unsay();
        self.message = Some(self.message_of(role, words.into(), false));
    }

    /// Says what came by itself, as soon as the line is free.
    pub fn news(&mut self, role: Role, words: impl Into<String>) {
        self.waiting.push_back(self.message_of(role, words.into(), true));
        if self.message.is_none() {
            self.next_news();
        }
    }

    fn message_of(&self, role: Role, words: String, is_news: bool) -> Message {
        Message { role, text: text::safe_text(&words), said_us: self.now_us, since_us: self.now_us, is_news }
    }

    /// The line is wanted for something else; what nobody can have read comes back.
    pub fn unsay(&mut self) {
        let Some(message) = self.message.take() else { return };
        if message.is_unread(self.now_us) {
            self.waiting.push_front(message);
        }
    }

    /// Time has gone by: what was read makes room for what waits, or for what shares the line.
    pub fn read_on(&mut self, is_shared: bool) {
        let now_us = self.now_us;
        // What is typed or asked has the line that an alarm leaves over: nobody reads what is behind it.
        if self.open_alarm().is_some() && (self.prompt.is_some() || self.question.is_some() || self.change.is_some()) {
            self.message.iter_mut().for_each(|message| message.since_us = now_us);
            return;
        }
        let in_sight = |message: &Message, for_us: i64| !(0..for_us).contains(&(now_us - message.since_us));
        match &self.message {
            None => self.next_news(),
            // An answer stays until the next key, but not over what came by itself.
            Some(message) if in_sight(message, READ_US) && !self.waiting.is_empty() => self.next_news(),
            Some(message) if message.is_news && in_sight(message, LEAVES_US) && is_shared => self.message = None,
            Some(_) => {}
        }
    }

    /// The alarm nobody has acknowledged, and how many there are; also after the run has ended, as long as it is on screen.
    pub fn open_alarm(&self) -> Option<(Spot, usize)> {
        self.scan.as_ref().filter(|scan| !scan.is_over() || self.step == Step::Scan).and_then(|scan| scan.alarm())
    }

    fn next_news(&mut self) {
        let now_us = self.now_us;
        self.waiting.retain(|message| !message.is_true_no_longer(now_us));
        let next = self.waiting.pop_front();
        self.message = next.map(|message| Message { since_us: self.now_us, ..message });
    }
}

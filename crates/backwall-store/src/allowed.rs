//! Whether scanning may start now, and what runs out next: what the checklist says, the dates of people and kit on the day, a
//! missing calibration, and its verification when that is due.

use super::contents::{JobContents, SetupEntry};
use backwall_survey::job::checklist::{AnswerValue, Conditions, Due, Filled, Now, number_in, zone_of};
use backwall_survey::job::expiry;
use backwall_survey::job::statement::Said;

const HOUR_US: f64 = 3.6e9;

impl JobContents {
    /// The conditions a run on `line` would start in; without a line, on the one that was scanned last.
    pub fn conditions(&self, at_us: i64, line: Option<&str>, operator: &str) -> Conditions {
        let last = self.runs.iter().max_by_key(|run| run.start.started_us).map(|run| run.start.line.as_str());
        let line = line.or(last);
        let others = self.runs.iter().filter(|run| Some(run.start.line.as_str()) != line);
        let now = Now {
            at_us,
            zone: zone_of(&self.plan),
            shift_started: self.signed_on(at_us),
            line: others.map(|run| run.start.started_us).max(),
        };
        let encoder = self.encoder_checks.last().map(|(check, by)| Filled {
            value: AnswerValue::Number((check.error() * 1e4).round() / 100.0),
            words: format!("checked over {} by {}", number_in(check.distance.as_mm().round(), "mm", self.plan.job.units), by.name),
            at_us: by.at_us,
        });
        Conditions { encoder, ..Conditions::of(&self.plan, now, operator) }
    }

    /// The conditions that the last run started in, for whoever looks at the job later; without a run those of the last signature
    /// or answer.
    pub fn conditions_of_work(&self) -> Conditions {
        let run = self.runs.iter().max_by_key(|run| run.start.started_us);
        let signed = self.signatures.last().map(|signature| &signature.by);
        let answered = self.answers.last().map(|answer| &answer.by);
        match (run, signed.or(answered)) {
            (Some(run), _) => self.conditions(run.start.started_us, Some(&run.start.line), &run.start.operator),
            (None, Some(by)) => self.conditions(by.at_us, None, &by.name),
            (None, None) => Conditions::default(),
        }
    }

    /// What stops scanning, in words.
    pub fn obstacles(&self, conditions: &Conditions) -> Vec<String> {
        let mut found = self.checklist.obstacles(&self.answers, &self.signatures, conditions);
        found.extend(self.checklist.unmeasured(conditions));
        found.extend(expiry::out_of_date_among(&self.plan, &self.names(conditions), &conditions.now));
        if let Some(swap) = self.swapped_since() {
            found.push(format!(
                "the {} was changed: the calibration with the old one no longer holds; measure the blocks again",
                swap.part.word()
            ));
        } else if !self.is_calibrated() {
            found.push(
                "no calibration is in force: velocity, zero and path would be as typed; measure blocks of known thickness".to_owned(),
            );
        }
        if let Some(due) = self.calibration_due().filter(|due| *due <= conditions.now.at_us) {
            let every_h = self.plan.verification.every_h;
            let hours = (conditions.now.at_us - due) as f64 / HOUR_US + every_h;
            let ago = if hours < 48.0 { format!("{hours:.1} h") } else { format!("{:.0} days", hours / 24.0) };
            found.push(format!("the calibration was verified {ago} ago, it holds for {every_h} h: verify again (Calibrate, v)"));
        }
        found
    }

    /// What stops scanning where these channels of the device are read, in words.
    pub fn obstacles_on(&self, conditions: &Conditions, channels: &[&str]) -> Vec<String> {
        let mut found = self.obstacles(conditions);
        found.extend(channels.iter().filter_map(|channel| self.obstacle_of_channel(channel, conditions.now.at_us)));
        found
    }

    /// What stops scanning on a channel of the device besides: its probe was never on the blocks, or is to be verified again.
    pub fn obstacle_of_channel(&self, channel: &str, at_us: i64) -> Option<String> {
        let in_force = self.setup_in_force().filter(|entry| entry.setup.calibration.is_some())?;
        let entry = self.setup_for(Some(channel)).filter(|entry| entry.setup.calibration.is_some());
        match entry {
            Some(entry) if entry.id == in_force.id => None,
            Some(entry) => (self.due_of(entry) <= at_us).then(|| {
                format!("the calibration of channel {channel} is to be verified again: calibrate --channel {channel} --verify MM=STREAM")
            }),
            None => Some(format!(
                "channel {channel} is not calibrated: the set-up in force was measured on channel {}; measure the blocks with --channel {channel}",
                in_force.setup.channel.as_deref().unwrap_or_default()
            )),
        }
    }

    /// What runs out by time where these channels of the device are read, soonest first.
    pub fn due(&self, conditions: &Conditions, channels: &[&str]) -> Vec<Due> {
        let mut found = self.checklist.due(&self.answers, conditions);
        found.extend(expiry::due(&self.plan, &self.names(conditions), &conditions.now));
        found.extend(self.calibration_due_on(channels).map(|at_us| Due { what: "verify".to_owned(), at_us }));
        found.sort_by_key(|due| due.at_us);
        found
    }

    /// When whoever works at `at_us` signed on.
    fn signed_on(&self, at_us: i64) -> Option<i64> {
        let sign_on = |said: &Said| matches!(said, Said::SignOn(_));
        let of_it = self.statements.iter().filter(|one| sign_on(&one.said) && self.force.stands(one.id) && one.by.at_us <= at_us);
        of_it.map(|one| one.by.at_us).max()
    }

    /// Whose certificates count: who scans and who signed.
    fn names<'a>(&'a self, conditions: &'a Conditions) -> Vec<&'a str> {
        let signer = self.signatures.last().map(|signature| signature.by.name.as_str());
        std::iter::once(conditions.operator.as_str()).chain(signer).collect()
    }

    /// When the calibration in force must be verified again: after it was measured, or verified well.
    pub fn calibration_due(&self) -> Option<i64> {
        self.setup_in_force().filter(|entry| entry.setup.calibration.is_some()).map(|entry| self.due_of(entry))
    }

    /// The same where these channels of the device are read: that of the first that is due.
    pub fn calibration_due_on(&self, channels: &[&str]) -> Option<i64> {
        let entries = channels.iter().filter_map(|channel| self.setup_for(Some(channel)));
        let of_channels = entries.filter(|entry| entry.setup.calibration.is_some()).map(|entry| self.due_of(entry));
        self.calibration_due().into_iter().chain(of_channels).min()
    }

    fn due_of(&self, entry: &SetupEntry) -> i64 {
        let verified = self.checks.iter().rfind(|check| check.setup_id == entry.id && check.passed());
        let since = verified.map_or(entry.by.at_us, |check| check.by.at_us.max(entry.by.at_us));
        since + (self.plan.verification.every_h * HOUR_US) as i64
    }
}

//! How a run stands: its calibration, and what of its data is not whole.

use super::count;
use super::gather::RunFacts;
use crate::document::Tone;
use backwall_store::{EventKind, RunState};
use backwall_survey::job::validity::Validity;
use backwall_units::LengthUnit;

impl RunFacts {
    /// Whether its readings are in the assessment.
    pub fn is_counted(&self) -> bool {
        !matches!(self.validity, Validity::Suspect(_))
    }

    /// How the calibration of the run stands, in words that can stand alone.
    pub fn calibration(&self, unit: LengthUnit) -> (Tone, String) {
        let setup = &self.setup;
        let typed = setup.calibration.is_none();
        match &self.validity {
            Validity::Valid if typed => {
                (Tone::Bad, "NO CALIBRATION: velocity and zero were typed, though verified on a block before and after".to_owned())
            }
            Validity::Valid => (Tone::Good, "calibrated on blocks, verified before and after".to_owned()),
            Validity::Suspect(why) => (Tone::Bad, format!("SUSPECT: {}", why.words(unit))),
            Validity::Pending(why) if typed => (
                Tone::Bad,
                format!(
                    "NO CALIBRATION: velocity {} {} and zero {:.1} ns were typed, not measured on blocks; {why}",
                    unit.velocity(setup.velocity),
                    unit.velocity_symbol(),
                    setup.zero.as_ns()
                ),
            ),
            Validity::Pending(why) => (Tone::Watch, format!("NOT VERIFIED: calibrated on blocks, but {why}")),
        }
    }

    /// What a reader must know of the run's data before trusting that nothing is missing.
    pub fn flaws(&self) -> Vec<String> {
        let mut flaws = Vec::new();
        match self.summary.state {
            RunState::Open => flaws.push("is STILL BEING RECORDED: this report has what was saved when it was made".to_owned()),
            RunState::Interrupted => flaws.push(format!("was INTERRUPTED: {}; it has what was saved until then", self.summary.reason)),
            RunState::Closed => {}
        }
        if self.summary.readings == 0 {
            flaws.push("has NO READINGS".to_owned());
        } else if self.statistics.read == 0 {
            flaws.push(format!("has NO ECHO in any of its {}", count(self.summary.readings, "reading")));
        }
        if self.summary.lost > 0 {
            flaws.push(format!("lost {} between device and computer", count(self.summary.lost, "shot")));
        }
        if let Some(dropped) = &self.summary.dropped {
            flaws.push(format!("did not take all that came: {dropped}"));
        }
        let of = |kind| self.events.iter().filter(|event| event.kind == kind).count() as u64;
        let drops = of(EventKind::Overflow) + of(EventKind::Fault);
        if drops > 0 {
            flaws.push(format!("has {} of data dropped or not saved (see its events)", count(drops, "report")));
        }
        let doubts = of(EventKind::Doubt);
        if doubts > 0 {
            flaws.push(format!("has {} of what device or clock said and cannot be (see its events)", count(doubts, "event")));
        }
        if self.too_fast > 0 {
            flaws.push(format!("has {} taken faster than the procedure allows", count(self.too_fast, "reading")));
        }
        if self.statistics.unplaced > 0 {
            flaws.push(format!("has {} without a place on the wall", count(self.statistics.unplaced, "reading")));
        }
        flaws
    }
}

//! Whether a run's calibration still holds: verifications on a known block, and the runs that a failed one makes suspect.
//! Nothing is corrected; what is suspect is called suspect.

use super::checklist::Signed;
use backwall_ultrasound::{Mode, Setup, ZeroKeeping};
use backwall_units::{Length, LengthUnit, Temperature};
use serde::{Deserialize, Serialize};

/// One verification of a set-up on a block of known thickness.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// The set-up that was verified.
    pub setup_id: i64,
    pub block: String,
    #[serde(rename = "true_mm")]
    pub truth: Length,
    /// `None` where no stable reading was had, which fails.
    #[serde(rename = "measured_mm")]
    pub measured: Option<Length>,
    #[serde(rename = "spread_mm")]
    pub spread: Length,
    pub shots: u32,
    #[serde(rename = "tolerance_mm")]
    pub tolerance: Length,
    #[serde(rename = "temperature_c")]
    pub temperature: Temperature,
    pub by: Signed,
}

impl Check {
    pub fn error(&self) -> Option<Length> {
        self.measured.map(|measured| measured - self.truth)
    }
    pub fn passed(&self) -> bool {
        self.error().is_some_and(|error| error.abs() <= self.tolerance)
    }
}

/// What the procedure asks of verifications: the optional `[verification]` table of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct VerificationPlan {
    /// How far off a block may be read; this or `tolerance_pct` of the block, whichever is more.
    #[serde(rename = "tolerance_mm")]
    pub tolerance: Length,
    pub tolerance_pct: f64,
    /// Hours after which the operator is reminded to verify again.
    pub every_h: f64,
}

/// 0.1 mm or 1 %, every four hours: common practice, no source.
impl Default for VerificationPlan {
    fn default() -> Self {
        Self { tolerance: Length::mm(0.1), tolerance_pct: 1.0, every_h: 4.0 }
    }
}

impl VerificationPlan {
    /// How far off a block may be read.
    pub fn tolerance(&self, truth: Length) -> Length {
        self.tolerance.max(truth * (self.tolerance_pct / 100.0))
    }

    /// In words: `0.1 mm or 1 %, whichever is more`.
    pub fn words(&self, unit: LengthUnit) -> String {
        let length = format!("{} {}", unit.thickness(self.tolerance), unit.thickness_symbol());
        match self.tolerance_pct {
            0.0 => length,
            percent => format!("{length} or {percent} %, whichever is more"),
        }
    }
}

/// How a run's calibration stands.
#[derive(Debug, Clone, PartialEq)]
pub enum Validity {
    /// Verified before and after.
    Valid,
    /// Says what is still missing.
    Pending(&'static str),
    /// A verification failed: the run is suspect.
    Suspect(Suspicion),
}

/// Why a run or a set-up is suspect.
#[derive(Debug, Clone, PartialEq)]
pub enum Suspicion {
    /// The verification behind it failed.
    FailedAfter(Box<Check>),
    /// The verification before it had failed.
    FailedBefore,
    /// The last verification of the set-up failed, on this block.
    FailedLast(String),
}

impl Suspicion {
    pub fn words(&self, unit: LengthUnit) -> String {
        let length = |length: Length| format!("{} {}", unit.thickness(length), unit.thickness_symbol());
        match self {
            Self::FailedAfter(check) => {
                let found =
                    check.measured.map_or_else(|| "gave no stable reading".to_owned(), |measured| format!("read {}", length(measured)));
                let (block, truth, tolerance) = (&check.block, length(check.truth), length(check.tolerance));
                format!("verification after it failed: block {block} of {truth} {found}, tolerance {tolerance}")
            }
            Self::FailedBefore => "it was started after a failed verification".to_owned(),
            Self::FailedLast(block) => format!("the last verification failed on block {block}"),
        }
    }
}

impl Validity {
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Valid => "valid",
            Self::Pending(_) => "pending",
            Self::Suspect(_) => "suspect",
        }
    }
    pub fn why(&self, unit: LengthUnit) -> String {
        match self {
            Self::Valid => "verified before and after".to_owned(),
            Self::Pending(why) => (*why).to_owned(),
            Self::Suspect(why) => why.words(unit),
        }
    }
}

/// A wall further from the blocks' temperature than this moves the tyre's delay by more than a verification allows: 8 ns a kelvin,
/// 0.024 mm of steel, against 0.1 mm (common practice, no source).
const ALLOWED_KELVIN: f64 = 5.0;

/// Whether a wall is further from the blocks of a set-up than its zero may be kept for.
pub fn is_far_from_blocks(setup: &Setup, wall: Temperature) -> bool {
    (wall - setup.reference_temperature()).as_celsius().abs() > ALLOWED_KELVIN
}

/// Whether readings are as right as a zero that nothing tracks.
pub fn rests_on_zero(setup: &Setup) -> bool {
    setup.mode == Mode::FirstEcho && setup.zero_keeping == ZeroKeeping::Fixed
}

/// The same for a run whose set-up is known: a first-echo run on a wall further than 5 K from its blocks is valid only where its
/// zero was tracked.
pub fn validity_at(found: Validity, setup: &Setup, is_far: bool) -> Validity {
    match found {
        Validity::Valid if rests_on_zero(setup) && is_far => {
            Validity::Pending("the wall was more than 5 K from the blocks and the zero was kept fixed")
        }
        other => other,
    }
}

/// The validity of a run that started at `started_us` with set-up `setup_id`, from all checks in time order.
pub fn validity(started_us: i64, setup_id: Option<i64>, checks: &[Check]) -> Validity {
    let Some(setup_id) = setup_id else { return Validity::Pending("its set-up was never entered") };
    let of_setup = || checks.iter().filter(|check| check.setup_id == setup_id);
    let before = of_setup().rfind(|check| check.by.at_us <= started_us);
    let after = of_setup().find(|check| check.by.at_us > started_us);
    if let Some(failed) = after.filter(|check| !check.passed()) {
        return Validity::Suspect(Suspicion::FailedAfter(Box::new(failed.clone())));
    }
    match (before, after) {
        (Some(before), _) if !before.passed() => Validity::Suspect(Suspicion::FailedBefore),
        (None, _) => Validity::Pending("no verification was made before it"),
        (Some(_), None) => Validity::Pending("no verification was made after it yet"),
        (Some(_), Some(_)) => Validity::Valid,
    }
}

/// How a set-up in force stands. `last_run_us` is when the last run with it was started.
pub fn standing(setup_id: Option<i64>, last_run_us: Option<i64>, checks: &[Check]) -> Validity {
    let Some(setup_id) = setup_id else { return Validity::Pending("no set-up was entered: the plan's typed values count") };
    match checks.iter().rfind(|check| check.setup_id == setup_id) {
        None => Validity::Pending("the set-up in force is not verified yet"),
        Some(last) if !last.passed() => Validity::Suspect(Suspicion::FailedLast(last.block.clone())),
        Some(last) if last_run_us.is_some_and(|run| run > last.by.at_us) => Validity::Pending("runs wait for the verification after them"),
        Some(_) => Validity::Valid,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(at_us: i64, setup_id: i64, measured: f64) -> Check {
        Check {
            setup_id,
            block: "B-7".into(),
            truth: Length::mm(10.0),
            measured: Some(Length::mm(measured)),
            spread: Length::mm(0.01),
            shots: 16,
            tolerance: VerificationPlan::default().tolerance(Length::mm(10.0)),
            temperature: Temperature::celsius(20.0),
            by: Signed { name: "R. Aldane".into(), certificate: "UT 2".into(), at_us },
        }
    }

    // Common practice, no single source; the same logic as the calibration confirmation of ASME BPVC V, T-466.3
    // (value from memory): examinations since the last valid check are void when a later check fails.
    #[test]
    fn a_failed_verification_makes_suspect_every_run_since_the_last_good_one() {
        let checks = [check(0, 1, 10.02), check(100, 1, 9.95), check(200, 1, 10.3)];
        assert_eq!(validity(50, Some(1), &checks), Validity::Valid);
        let suspect = validity(150, Some(1), &checks);
        assert_eq!(suspect.why(LengthUnit::Mm), "verification after it failed: block B-7 of 10.00 mm read 10.30 mm, tolerance 0.10 mm");
        assert!(suspect.why(LengthUnit::Inch).ends_with("of 0.394 in read 0.406 in, tolerance 0.004 in"));
        assert!(matches!(validity(250, Some(1), &checks), Validity::Suspect(_)));
    }

    #[test]
    fn a_run_without_verification_on_both_sides_is_pending() {
        assert!(matches!(validity(50, Some(1), &[check(0, 1, 10.0)]), Validity::Pending(_)));
        assert!(matches!(validity(50, Some(1), &[check(100, 1, 10.0)]), Validity::Pending(_)));
        assert!(matches!(validity(50, Some(2), &[check(0, 1, 10.0), check(100, 1, 10.0)]), Validity::Pending(_)));
        assert!(matches!(validity(50, None, &[]), Validity::Pending(_)));
    }

    #[test]
    fn a_set_up_stands_valid_until_a_run_waits_for_its_verification() {
        let good = [check(0, 1, 10.0)];
        assert_eq!(standing(Some(1), None, &good), Validity::Valid);
        assert_eq!(standing(Some(1), Some(-5), &good), Validity::Valid);
        assert!(matches!(standing(Some(1), Some(50), &good), Validity::Pending(_)));
        assert!(matches!(standing(Some(2), None, &good), Validity::Pending(_)));
        assert!(matches!(standing(None, None, &good), Validity::Pending(_)));
        assert!(matches!(standing(Some(1), None, &[check(0, 1, 10.0), check(9, 1, 10.5)]), Validity::Suspect(_)));
    }

    #[test]
    fn the_tolerance_is_a_tenth_or_one_percent_and_no_reading_fails() {
        let planned = VerificationPlan::default();
        assert_eq!((planned.tolerance(Length::mm(5.0)), planned.tolerance(Length::mm(20.0))), (Length::mm(0.1), Length::mm(0.2)));
        assert_eq!(planned.words(LengthUnit::Mm), "0.10 mm or 1 %, whichever is more");
        let fixed = VerificationPlan { tolerance: Length::mm(0.05), tolerance_pct: 0.0, ..planned };
        assert_eq!((fixed.tolerance(Length::mm(20.0)), fixed.words(LengthUnit::Mm)), (Length::mm(0.05), "0.05 mm".to_owned()));
        assert!(!Check { measured: None, ..check(0, 1, 10.0) }.passed());
        assert!(check(0, 1, 10.1).passed() && !check(0, 1, 10.11).passed());
    }

    // Arithmetic: 8.2 ns a kelvin for 6 K are 49 ns, 0.146 mm at 5920 m/s, over the 0.1 mm of a verification.
    #[test]
    fn a_hot_wall_is_valid_only_with_a_zero_that_was_tracked() {
        let plan = super::super::Plan::parse("plan.toml", include_str!("../../../../tests/data/plan.toml")).unwrap();
        let of = |zero_keeping, mode| Setup { zero_keeping, mode, ..plan.typed_setup() };
        let blocks = plan.typed_setup().reference_temperature();
        let at = |setup: &Setup, kelvin: f64| {
            let wall = Temperature::celsius(blocks.as_celsius() + kelvin);
            validity_at(Validity::Valid, setup, is_far_from_blocks(setup, wall))
        };
        assert!(matches!(at(&of(ZeroKeeping::Fixed, Mode::FirstEcho), 6.0), Validity::Pending(_)));
        assert_eq!(at(&of(ZeroKeeping::Fixed, Mode::FirstEcho), -4.0), Validity::Valid);
        assert_eq!(at(&of(ZeroKeeping::Tracked, Mode::FirstEcho), 25.0), Validity::Valid);
        assert_eq!(at(&of(ZeroKeeping::Fixed, Mode::EchoToEcho), 25.0), Validity::Valid);
    }
}

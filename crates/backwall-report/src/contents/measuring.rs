//! What the numbers rest on: set-ups as they were used, blocks and verifications, the encoder, uncertainty.

use super::summary::capital;
use super::{DocumentWriter, count, fact, micro};
use crate::document::{DocumentTable, Tone};
use crate::template::Working;
use backwall_ultrasound::calibration::Budget;
use backwall_ultrasound::{Calibration, Ruler, Setup};
use backwall_units::{Length, LengthUnit, MM_PER_INCH};

/// Of more runs than this a report that shows only what decides has one row together.
const MOST_RUNS: usize = 3;

/// A kelvin as a difference of temperature.
const FAHRENHEIT_PER_KELVIN: f64 = 1.8;

impl DocumentWriter<'_> {
    /// Set-ups that runs were made with, each once, with the runs that used it.
    fn used_setups(&self) -> Vec<(&Setup, Option<i64>, Vec<String>)> {
        let mut used: Vec<(&Setup, Option<i64>, Vec<String>)> = Vec::new();
        for run in &self.job.runs {
            let start = &run.summary.start;
            let adopted = self.job.contents.adopted(run.summary.id).map(|(evaluation, _)| evaluation);
            let own = (&start.setup, start.setup_id, run.name());
            let adopted = adopted.map(|of| (&of.start.setup, of.start.setup_id, format!("evaluation {} of {}", of.id, run.name())));
            let changes = run.summary.changes.iter();
            let changes = changes
                .map(|change| (&change.setup, Some(change.setup_id), format!("{} from reading {} on", run.name(), change.from_row + 1)));
            for (setup, setup_id, name) in std::iter::once(own).chain(changes).chain(adopted) {
                match used.iter_mut().find(|(known, id, _)| *id == setup_id && **known == *setup) {
                    Some((_, _, runs)) => runs.push(name),
                    None => used.push((setup, setup_id, vec![name])),
                }
            }
        }
        used
    }

    pub(super) fn setups(&mut self) {
        let used: Vec<_> = self.used_setups().into_iter().map(|(setup, id, runs)| (setup.clone(), id, runs)).collect();
        for (setup, id, runs) in &used {
            self.out.heading(2, format!("{}, used by {}", name_of(*id), runs.join(", ")));
            self.setup(setup);
        }
        let velocity = format!("Velocity, {}>", self.wanted.unit.velocity_symbol());
        let mut table = DocumentTable::of(&["No.", "Source", &velocity, "Zero, ns>", "Entered by"]);
        for entry in &self.job.contents.setups {
            table.row([
                entry.id.to_string(),
                entry.origin.words(self.wanted.unit),
                self.wanted.unit.velocity(entry.setup.velocity),
                format!("{:.1}", entry.setup.zero.as_ns()),
                self.signed(&entry.by),
            ]);
        }
        if table.rows.is_empty() {
            return self.out.paragraph("No set-up was ever entered in this job.");
        }
        self.out.heading(2, "All set-ups of the job, oldest first");
        self.shortened(table, "set-ups", "oldest first");
        self.kept_as_recorded(self.job.contents.setups.iter().any(|entry| entry.origin.is_recorded()));
    }

    fn setup(&mut self, setup: &Setup) {
        let gate = &setup.gate;
        let counts = if setup.calibration.is_some() { "from the calibration" } else { "typed" };
        self.out.facts(vec![
            fact("Velocity", format!("{} at {}, {counts}", self.velocity(setup.velocity), self.temperature(setup.reference_temperature()))),
            fact("Change of velocity with temperature", self.wanted.unit.velocity_slope(setup.velocity_slope_m_s_k)),
            fact("Zero", format!("{:.1} ns, {counts}", setup.zero.as_ns())),
            fact("Mode and picker", format!("{}, {}", setup.mode, setup.picker)),
            fact(
                "Gate",
                format!("{} to {}, threshold {:.1} % of full screen height", micro(gate.start), micro(gate.end()), gate.threshold_pct),
            ),
            fact("Frequency", format!("{} MHz", setup.frequency.as_mhz())),
            fact(
                "Path",
                match setup.half_separation {
                    zero if zero == Length::ZERO => "straight: single element".to_owned(),
                    half => format!("V path, half element separation {}", self.thickness(half)),
                },
            ),
            fact("Minimum wall", self.thickness(setup.minimum)),
        ]);
    }

    pub(super) fn calibration(&mut self) {
        let used: Vec<_> = self.used_setups().into_iter().map(|(setup, id, runs)| (setup.clone(), id, runs)).collect();
        for (setup, id, runs) in &used {
            match &setup.calibration {
                Some(calibration) => self.blocks(setup, calibration, &format!("{}, used by {}", name_of(*id), runs.join(", "))),
                None => self.out.notice(
                    Tone::Bad,
                    format!("{}, used by {}: NO CALIBRATION", name_of(*id), runs.join(", ")),
                    vec!["Velocity and zero were typed; no block was measured to find them.".to_owned()],
                ),
            }
        }
        if used.is_empty() {
            self.out.paragraph("No run was made, so no calibration was used.");
        }
        self.out.heading(2, "Verifications on blocks");
        let mut table = DocumentTable::of(&[
            "When, by",
            "Set-up",
            "Block",
            &self.head("True"),
            &self.head("Measured"),
            &self.head("Error"),
            &self.head("Tolerance"),
            "Shots>",
            &format!("{}>", self.wanted.unit.temperature_symbol()),
            "",
        ]);
        for check in &self.job.contents.checks {
            let unit = self.wanted.unit;
            let passed = check.passed();
            table.toned(
                if passed { Tone::Plain } else { Tone::Bad },
                [
                    format!("{}, {}", self.time(check.by.at_us), check.by.name),
                    check.setup_id.to_string(),
                    check.block.clone(),
                    unit.thickness(check.truth),
                    check.measured.map_or_else(|| "not stable".to_owned(), |measured| unit.thickness(measured)),
                    check.error().map_or_else(|| "–".to_owned(), |error| self.difference(error)),
                    unit.thickness(check.tolerance),
                    check.shots.to_string(),
                    unit.temperature(check.temperature),
                    if passed { "passed".to_owned() } else { "FAILED".to_owned() },
                ],
            );
        }
        if table.rows.is_empty() {
            return self.out.notice(Tone::Bad, "No set-up was ever verified on a block", vec![]);
        }
        self.out.table(table);
    }

    /// A difference of two thicknesses, with its sign and one more digit than a thickness has.
    fn difference(&self, length: Length) -> String {
        let text = match self.wanted.unit {
            LengthUnit::Mm => format!("{:+.3}", length.as_mm()),
            LengthUnit::Inch => format!("{:+.4}", length.as_inch()),
        };
        // What is nothing to all digits shown has no sign.
        if text.contains(|c: char| c.is_ascii_digit() && c != '0') { text } else { text.trim_start_matches(['-', '+']).to_owned() }
    }

    /// What a calibration is good for at each of its blocks: `±0.03 mm at 10.00 mm`.
    fn at_the_wall(&self, setup: &Setup) -> String {
        let ruler = Ruler::new(setup);
        let points = setup.calibration.iter().flat_map(|calibration| &calibration.points);
        let at = |wall: Length| format!("±{} at {}", self.thickness(ruler.uncertainty(wall) * 2.0), self.thickness(wall));
        points.map(|point| at(point.thickness)).collect::<Vec<_>>().join(", ")
    }

    fn blocks(&mut self, setup: &Setup, calibration: &Calibration, title: &str) {
        self.out.heading(2, title);
        let fitted = if calibration.velocity_fitted { "fitted to the blocks" } else { "typed, the zero fitted to the blocks" };
        let range = calibration
            .range()
            .map_or_else(|| "no blocks".to_owned(), |(thin, thick)| format!("{} to {}", self.thickness(thin), self.thickness(thick)));
        let path = if calibration.half_separation_u.is_some() { "fitted to the blocks" } else { "typed" };
        let mut facts = vec![
            fact("Velocity", format!("{} at {}, {fitted}", self.velocity(calibration.velocity), self.temperature(calibration.temperature))),
            fact("Zero", format!("{:.1} ns", calibration.zero.as_ns())),
            fact("Element separation", format!("{}, {path}", self.thickness(calibration.half_separation * 2.0))),
            fact("Blocks span", range),
            fact("U of a sound wall (k = 2)", self.at_the_wall(setup)),
            fact(
                "",
                "Velocity, zero and separation are found together and are correlated: their own spreads say little of a wall".to_owned(),
            ),
        ];
        if let Some(face) = calibration.face_pct {
            facts.push(fact("Near face when coupled", format!("{face:.1} % of full screen height")));
        }
        self.out.facts(facts);
        let mut table = DocumentTable::of(&[
            &self.head("Block"),
            &self.head("Measured"),
            &self.head("Residual"),
            &self.head("Spread"),
            "Echo, µs>",
            "Height, %>",
            "Shots>",
        ]);
        for point in &calibration.points {
            let unit = self.wanted.unit;
            table.row([
                unit.thickness(point.thickness),
                unit.thickness(point.measured),
                self.difference(point.error),
                self.difference(point.spread).trim_start_matches('+').to_owned(),
                format!("{:.3}", point.echo_time.as_us()),
                format!("{:.1}", point.height_pct),
                point.shots.to_string(),
            ]);
        }
        self.out.table(table);
        if !calibration.warnings.is_empty() {
            self.kept_as_recorded(calibration.warnings.iter().any(backwall_units::Wording::is_recorded));
            self.out.notice(
                Tone::Watch,
                "Warnings of the calibration",
                calibration.warnings.iter().map(|warning| warning.words(self.wanted.unit)).collect(),
            );
        }
    }

    pub(super) fn encoder(&mut self) {
        let contents = &self.job.contents;
        let unit = self.wanted.unit;
        let (per, symbol) = match unit {
            LengthUnit::Mm => (1.0, "mm"),
            LengthUnit::Inch => (MM_PER_INCH, "in"),
        };
        self.out.facts(vec![fact("Scale in the plan", format!("{} counts per {symbol}", contents.plan.encoder.counts_per_mm * per))]);
        if contents.encoder_checks.is_empty() {
            let line = "Places along the lines rest on the scale in the plan.".to_owned();
            return self.out.notice(Tone::Watch, "The encoder was NOT CHECKED over a measured distance", vec![line]);
        }
        let (head, set, found) =
            (format!("Distance, {}>", unit.place_symbol()), format!("Set, per {symbol}>"), format!("Found, per {symbol}>"));
        let mut table = DocumentTable::of(&["When, by", &head, "Counts>", &set, &found, "Error, %>", ""]);
        for (check, by) in &contents.encoder_checks {
            let judged = check.judge();
            table.toned(
                if judged.is_ok() { Tone::Plain } else { Tone::Bad },
                [
                    self.signed(by),
                    unit.place(check.distance),
                    check.counts.to_string(),
                    format!("{:.3}", check.set_counts_per_mm * per),
                    format!("{:.3}", check.solved() * per),
                    format!("{:+.2}", check.error() * 100.0),
                    judged.map_or_else(|why| format!("FAILED: {why}"), |_| "passed".to_owned()),
                ],
            );
        }
        self.out.table(table);
    }

    pub(super) fn uncertainty(&mut self) {
        self.out.paragraph(
            "Each reading carries a standard uncertainty of its own, combined from the parts below and from what its waveform shows \
             (noise, agreement of envelope and correlation, the second echo) as the square root of the sum of squares (JCGM 100:2008, equation 10). \
             U is twice that (k = 2), about 95 % for a reading of an even wall. It holds for the place under the probe, not for the wall beside it.",
        );
        let mut table = DocumentTable::of(&["Run", &self.head("Smallest U"), &self.head("Largest U"), "Readings without one>"]);
        let all = self.wanted.template.working == Working::All || self.job.runs.len() <= MOST_RUNS;
        for run in self.job.runs.iter().filter(|_| all) {
            let (low, high) = run.uncertainty.map_or((None, None), |(low, high)| (Some(low * 2.0), Some(high * 2.0)));
            table.row([run.name(), self.bare(low), self.bare(high), run.without_uncertainty.to_string()]);
        }
        if !all {
            let known = || self.job.runs.iter().filter_map(|run| run.uncertainty);
            let (low, high) = (known().map(|u| u.0 * 2.0).reduce(Length::min), known().map(|u| u.1 * 2.0).reduce(Length::max));
            let without: u64 = self.job.runs.iter().map(|run| run.without_uncertainty).sum();
            table.row([count(self.job.runs.len() as u64, "run"), self.bare(low), self.bare(high), without.to_string()]);
        }
        self.out.table(table);
        let used: Vec<_> = self.used_setups().into_iter().map(|(setup, id, runs)| (setup.calibration.clone(), id, runs)).collect();
        for (calibration, id, runs) in used {
            let (budget, what) = match &calibration {
                Some(calibration) => (calibration.budget, "measured on blocks"),
                None => (Budget::typed(), "typed values"),
            };
            self.out.heading(2, format!("Budget of {} ({what}), {}", name_of(id).to_lowercase(), count(runs.len() as u64, "run")));
            self.out.facts(self.budget(&budget));
        }
    }

    /// The parts that are more than nothing.
    fn budget(&self, budget: &Budget) -> Vec<(String, String)> {
        let parts = [
            ("Velocity of the wall against the blocks'", budget.velocity_relative * 100.0, 3, "%"),
            ("Thickness of a block", budget.block.as_mm(), 3, "mm"),
            ("Zero", budget.zero.as_ns(), 1, "ns"),
            ("Temperature of the wall", budget.temperature_k, 1, "K"),
            ("Delay of the tyre with temperature", budget.delay_ns_k, 1, "ns per kelvin"),
            ("Coupling and tyre, from place to place", budget.coupling.as_mm(), 3, "mm"),
        ];
        parts
            .iter()
            .filter(|part| part.1 != 0.0)
            .map(|(name, value, digits, unit)| match (*unit, self.wanted.unit) {
                ("mm", LengthUnit::Inch) => fact(name, format!("{:.4} in (k = 1)", Length::mm(*value).as_inch())),
                ("K", LengthUnit::Inch) => fact(name, format!("{:.1} °F (k = 1)", value * FAHRENHEIT_PER_KELVIN)),
                ("ns per kelvin", LengthUnit::Inch) => fact(name, format!("{:.2} ns per °F (k = 1)", value / FAHRENHEIT_PER_KELVIN)),
                _ => fact(name, format!("{value:.digits$} {unit} (k = 1)")),
            })
            .collect()
    }
}

fn name_of(id: Option<i64>) -> String {
    id.map_or_else(|| capital("a set-up never entered in the job"), |id| format!("Set-up {id}"))
}

//! What the standards of ultrasonic thickness measurement want in a report (ISO 16809, test report; ASTM E797, report; both from memory):
//! each thing there, or said to be missing.

use super::{DocumentWriter, fact};
use crate::document::Tone;
use crate::words::safe_text;
use backwall_store::EventKind;

const MISSING: &str = "NOT GIVEN";

impl DocumentWriter<'_> {
    pub(super) fn record(&mut self) {
        let plan = &self.job.contents.plan;
        let issue = &self.wanted.issue;
        let given =
            |value: Option<&str>| value.map(str::trim).filter(|value| !value.is_empty()).map_or_else(|| MISSING.to_owned(), safe_text);
        let operators = self.each(|run| run.summary.start.operator.clone());
        let mut facts = vec![
            fact("Report number", given(Some(&issue.number))),
            fact("Revision", given(Some(&issue.revision))),
            fact("Status", issue.status.word()),
            fact("Client, site", format!("{}; {}", given(plan.job.client.as_deref()), given(Some(&plan.job.site)))),
            fact("Job, purpose", format!("{}; {}", given(Some(&plan.job.number)), given(Some(&plan.job.purpose)))),
            fact("Standard, edition", given(plan.job.standard.as_deref())),
            fact("Procedure", given(Some(&plan.job.procedure))),
            fact("Object", format!("{}, {}", safe_text(&plan.asset.name), plan.asset.kind.word())),
            fact(
                "Diameter, datum",
                format!(
                    "{} {}; {}",
                    self.wanted.unit.place(plan.asset.diameter),
                    self.wanted.unit.place_symbol(),
                    given(Some(&plan.asset.datum))
                ),
            ),
            fact("Drawing", given(plan.asset.drawing.as_deref())),
            fact("Material", given(Some(&plan.asset.material))),
            fact("Surface", given(plan.asset.surface.as_deref())),
            fact("Coating", given(plan.asset.coating.as_deref())),
            fact("Couplant", given(plan.probe.couplant.as_deref())),
            fact("Operators", given(Some(&operators))),
        ];
        let unit = self.wanted.unit;
        let temperatures = self.each(|run| unit.temperature(run.summary.start.wall_temperature));
        facts.push(fact(&format!("Wall temperature, {}", unit.temperature_symbol()), given(Some(&temperatures))));
        for kit in &plan.kit {
            let due = kit.due.map_or_else(|| format!("due {MISSING}"), |due| format!("due {due}"));
            let certificate = given(kit.certificate.as_deref());
            facts.push(fact("Equipment", format!("{} {}; {due}; certificate {certificate}", safe_text(&kit.kind), safe_text(&kit.serial))));
        }
        if plan.kit.is_empty() {
            facts.push(fact("Equipment", MISSING));
        }
        facts.push(fact("Blocks", self.blocks_of_record()));
        facts.push(fact("Probe", self.probe_of_record()));
        let said = self.device();
        facts.push(fact("Instrument, as it identifies itself", given(Some(&said))));
        let programs = self.each(|run| run.summary.start.software.clone());
        facts.push(fact("Program", given(Some(&programs))));
        let settings = self.each(|run| {
            let gate = run.setup.gate;
            format!(
                "velocity {}, zero {:.1} ns, gate {:.3} to {:.3} µs at {:.1} %, {}, {}",
                self.velocity(run.setup.velocity),
                run.setup.zero.as_ns(),
                gate.start.as_us(),
                gate.end().as_us(),
                gate.threshold_pct,
                run.setup.mode,
                run.setup.picker
            )
        });
        facts.push(fact("Settings", given(Some(&settings))));
        facts.push(fact("Conclusions", given(Some(&issue.conclusions))));
        facts.push(fact("Follow-up", given(Some(&issue.follow_up))));
        let mut missing: Vec<&str> = facts.iter().filter(|(_, value)| value.contains(MISSING)).map(|(name, _)| name.as_str()).collect();
        missing.dedup();
        let title =
            if missing.is_empty() { "Everything that the standards list is given" } else { "Not given, though the standards list it" };
        let lines = if missing.is_empty() { Vec::new() } else { vec![missing.join(", ")] };
        let tone = if missing.is_empty() { Tone::Good } else { Tone::Watch };
        self.out.paragraph(
            "What ISO 16809 and ASTM E797 list for the report of a thickness measurement (from memory: compare with your copies).",
        );
        self.out.notice(tone, title, lines);
        self.out.facts(facts);
    }

    /// A word of each run, each once.
    fn each(&self, of: impl Fn(&super::RunFacts) -> String) -> String {
        let mut words: Vec<String> = Vec::new();
        for word in self.job.runs.iter().map(of) {
            if !words.contains(&word) {
                words.push(word);
            }
        }
        words.join("; ")
    }

    fn probe_of_record(&self) -> String {
        let probe = &self.job.contents.plan.probe;
        let separation = probe.element_separation;
        let elements = if separation.as_mm() == 0.0 {
            "single element".to_owned()
        } else {
            format!("two elements {} apart", self.thickness(separation))
        };
        format!("{} MHz, {elements}", probe.frequency.as_mhz())
    }

    fn blocks_of_record(&self) -> String {
        let mut words: Vec<String> = Vec::new();
        for check in &self.job.contents.checks {
            let word = format!("{} of {}", safe_text(&check.block), self.thickness(check.truth));
            if !words.contains(&word) {
                words.push(word);
            }
        }
        if words.is_empty() { MISSING.to_owned() } else { words.join("; ") }
    }

    fn device(&self) -> String {
        self.headers().join("; ")
    }

    /// What devices said of themselves, each once.
    pub(super) fn headers(&self) -> Vec<String> {
        let mut said: Vec<String> = Vec::new();
        for event in self.job.runs.iter().flat_map(|run| &run.events).filter(|event| event.kind == EventKind::Header) {
            let words = event.text.words(self.wanted.unit);
            if !said.contains(&words) {
                said.push(words);
            }
        }
        said
    }
}

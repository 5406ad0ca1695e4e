//! What the job was: order, people, kit, object, limits, and the checklist as it was answered.

use super::summary::capital;
use super::{DocumentWriter, fact};
use crate::document::{DocumentTable, Tone};
use backwall_survey::job::ItemState;
use backwall_survey::job::checklist::Conditions;

impl DocumentWriter<'_> {
    pub(super) fn job_facts(&mut self) {
        let job = &self.job.contents.plan.job;
        let none = || "not given".to_owned();
        let mut facts = vec![
            fact("Job", &*job.number),
            fact("Client", job.client.clone().unwrap_or_else(none)),
            fact("Site", &*job.site),
            fact("Purpose", &*job.purpose),
            fact("Procedure", &*job.procedure),
            fact("Job file", &*self.job.file),
        ];
        let (first, last) = (self.job.runs.first(), self.job.runs.last());
        if let (Some(first), Some(last)) = (first, last) {
            let ended = last.summary.closed_us.map_or_else(|| "not ended".to_owned(), |us| self.time(us));
            facts.push(fact("Scanned", format!("{} to {ended}", self.time(first.summary.start.started_us))));
            let mut programs: Vec<&str> = self.job.runs.iter().map(|run| run.summary.start.software.as_str()).collect();
            programs.dedup();
            facts.push(fact("Recorded with", programs.join(", ")));
        }
        facts.push(fact("Clock", format!("all times are {}", self.job.contents.plan.zone())));
        self.out.facts(facts);
        self.job_notes();
    }

    fn job_notes(&mut self) {
        let of_no_run: Vec<_> = self.job.contents.notes.iter().filter(|note| note.run.is_none()).collect();
        if of_no_run.is_empty() {
            return;
        }
        let mut table = DocumentTable::of(&["Noted", "Note to the job"]);
        for note in of_no_run {
            table.row([self.time(note.at_us), note.text.words(self.wanted.unit)]);
        }
        self.shortened(table, "notes", "oldest first");
        self.kept_as_recorded(self.job.contents.notes.iter().filter(|note| note.run.is_none()).any(|note| note.text.is_recorded()));
    }

    pub(super) fn people(&mut self) {
        let people = &self.job.contents.plan.people;
        if people.is_empty() {
            return self.out.paragraph("The job plan names no people.");
        }
        let mut table = DocumentTable::of(&["Name", "Role", "Certificate", "Valid until", ""]);
        for person in people {
            let expired = self.expired(person.expires);
            table.toned(
                if expired { Tone::Bad } else { Tone::Plain },
                [
                    person.name.clone(),
                    person.role.clone(),
                    person.certificate.clone().unwrap_or_else(|| "none given".to_owned()),
                    person.expires.map_or_else(|| "not given".to_owned(), |date| date.to_string()),
                    if expired { "EXPIRED".to_owned() } else { String::new() },
                ],
            );
        }
        self.out.table(table);
    }

    pub(super) fn kit(&mut self) {
        let plan = &self.job.contents.plan;
        let mut table = DocumentTable::of(&["Item", "Serial", "Due", ""]);
        for kit in &plan.kit {
            let overdue = self.expired(kit.due);
            table.toned(
                if overdue { Tone::Bad } else { Tone::Plain },
                [
                    kit.kind.clone(),
                    kit.serial.clone(),
                    kit.due.map_or_else(|| "not given".to_owned(), |date| date.to_string()),
                    if overdue { "OVERDUE".to_owned() } else { String::new() },
                ],
            );
        }
        if table.rows.is_empty() {
            self.out.paragraph("The job plan lists no equipment.");
        }
        self.out.table(table);
        let probe = &plan.probe;
        let separation = match probe.element_separation {
            none if none.as_mm() == 0.0 => "single element".to_owned(),
            apart => format!("{}, exit point to exit point", self.thickness(apart)),
        };
        let mut facts = vec![
            fact("Probe frequency", format!("{} MHz", probe.frequency.as_mhz())),
            fact("Elements", separation),
            fact("Minimum wall it resolves", self.thickness(probe.minimum)),
        ];
        if let Some(beam) = probe.beam_width {
            facts.push(fact("Beam width", self.thickness(beam)));
        }
        let (mut devices, mut proofs): (Vec<String>, Vec<String>) = (Vec::new(), Vec::new());
        for run in &self.job.runs {
            let start = &run.summary.start;
            let device = format!("{} by profile {}", start.stream, start.profile_name);
            if !devices.contains(&device) {
                devices.push(device);
            }
            let proof = format!("{} {}", start.profile_name, start.profile_proof.as_deref().unwrap_or("not proven"));
            if !proofs.contains(&proof) {
                proofs.push(proof);
            }
        }
        let said = self.headers();
        if !said.is_empty() {
            facts.push(fact("Device, as it identifies itself", said.join("; ")));
        }
        if !devices.is_empty() {
            facts.push(fact("Stream", devices.join("; ")));
            facts.push(fact("Device profile", proofs.join("; ")));
        }
        self.out.facts(facts);
    }

    pub(super) fn asset(&mut self) {
        let asset = &self.job.contents.plan.asset;
        let unit = self.wanted.unit;
        let mut facts = vec![
            fact("Object", format!("{}, {}", asset.name, asset.kind.word())),
            fact("Diameter", format!("{} {}", unit.place(asset.diameter), unit.place_symbol())),
            fact("Material", &*asset.material),
            fact("Datum", &*asset.datum),
        ];
        if let Some(temperature) = asset.surface_temperature {
            facts.push(fact("Surface temperature", format!("{}, from the plan", self.temperature(temperature))));
        }
        self.out.facts(facts);
        let mut table = DocumentTable::of(&[
            "Course",
            &format!("Height, {}>", unit.place_symbol()),
            &self.head("Nominal"),
            &self.head("Required"),
            "Required thickness from",
        ]);
        for course in &asset.courses {
            table.row([
                course.number.to_string(),
                unit.place(course.height),
                unit.thickness(course.nominal),
                course.required.map_or_else(|| "not known".to_owned(), |required| unit.thickness(required)),
                match (&course.required_from, course.required) {
                    (Some(from), _) => from.clone(),
                    (None, Some(_)) => "its source is not given".to_owned(),
                    (None, None) => "no required thickness: readings are not judged".to_owned(),
                },
            ]);
        }
        if table.rows.is_empty() {
            self.out.paragraph("The job plan names no courses: no reading could be judged.");
        }
        self.out.table(table);
    }

    pub(super) fn procedure(&mut self) {
        let plan = &self.job.contents.plan;
        let (limits, alarm) = (&plan.limits, &plan.alarm);
        let unit = self.wanted.unit;
        let guard = if limits.guard_band {
            "a reading whose uncertainty (k = 3) reaches below the watch limit counts as WATCH"
        } else {
            "a reading whose uncertainty (k = 2) reaches below the watch limit counts as WATCH"
        };
        self.out.facts(vec![
            fact("Procedure", &*plan.job.procedure),
            fact("THIN", "under the required thickness of its course"),
            fact("WATCH", format!("less than {} over it", self.thickness(limits.watch_margin))),
            fact("Guard band", guard),
            fact(
                "Verification",
                format!("within {}; again at the latest after {} h", plan.verification.words(unit), plan.verification.every_h),
            ),
            fact("Longest gap allowed", self.long(limits.max_gap)),
            fact("Fastest speed allowed", format!("{} {}", unit.speed(limits.max_speed), unit.speed_symbol())),
            fact(
                "A spot",
                format!(
                    "is under its limit over {} or more; stretches nearer than {} are one; it ends {} over the limit",
                    self.long(alarm.minimum_length),
                    self.long(alarm.join),
                    self.thickness(alarm.hysteresis)
                ),
            ),
        ]);
    }

    /// What the last run was started in, said in the report's units.
    pub(super) fn conditions(&self) -> Conditions {
        Conditions { unit: self.wanted.unit, ..self.job.contents.conditions_of_work() }
    }

    pub(super) fn checklist(&mut self) {
        let contents = &self.job.contents;
        let list = &contents.checklist;
        self.out.paragraph(format!("{} ({}): {}", list.title, list.name, list.caution));
        let (conditions, unit) = (self.conditions(), self.wanted.unit);
        let mut table = DocumentTable::of(&["Item", "Answer", "State", "Note", "Answered by"]);
        for item in &list.items {
            let answer = list.answer(item, &contents.answers);
            let state = list.state(item, &contents.answers, &conditions);
            let (tone, stands) = match &state {
                ItemState::Passed => (Tone::Plain, "passed".to_owned()),
                ItemState::Failed(why) => (Tone::Bad, format!("FAILED: {why}")),
                ItemState::RanOut(why) => (Tone::Bad, format!("HAD RUN OUT: {why}")),
                ItemState::Open if item.hold => (Tone::Bad, "OPEN hold point".to_owned()),
                ItemState::Open => (Tone::Watch, "open".to_owned()),
            };
            let changed = contents.answers.iter().filter(|answer| answer.item == item.id).count();
            let hold = if item.hold { " (hold point)" } else { "" };
            table.toned(
                tone,
                [
                    format!("{}{hold}", item.asked(unit)),
                    answer.map_or_else(|| "–".to_owned(), |answer| item.answered(&answer.value, unit)),
                    if changed > 1 { format!("{stands}; answered {changed} times, the last counts") } else { stands },
                    answer.map_or_else(String::new, |answer| answer.note.clone()),
                    answer.map_or_else(String::new, |answer| format!("{}, {}", answer.by.name, self.time(answer.by.at_us))),
                ],
            );
        }
        self.out.table(table);
        let mut facts: Vec<_> = contents
            .signatures
            .iter()
            .map(|signature| {
                let stale = if signature.answers == contents.answers.len() { "" } else { "; answers were changed after it" };
                fact("Signed", format!("{}, over {} answers{stale}", self.signed(&signature.by), signature.answers))
            })
            .collect();
        if facts.is_empty() {
            facts.push(fact("Signed", "NOT SIGNED"));
        }
        facts.extend(contents.overrides.iter().map(|(why, by)| fact("OVERRIDDEN", format!("{}: {why}", self.signed(by)))));
        for run in self.job.runs.iter().filter_map(|run| run.summary.start.checklist_override.as_ref().map(|why| (run, why))) {
            facts.push(fact("Started although the checklist did not allow it", format!("{}: {}", capital(&run.0.name()), run.1)));
        }
        self.out.facts(facts);
    }
}

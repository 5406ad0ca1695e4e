//! Whether a course is met: lowest average and minimum reading, with what was not read carried along.

use super::Work;
use backwall_survey::integrity::average::{
    AVERAGE, Averages, BinStretch, Bins, Test, TrackShots, Windows, assess, by_track, lasting, pits, tank_length,
};
use backwall_survey::integrity::decision::{Decision, decide, safe_end};
use backwall_survey::integrity::rate::DatedWall;
use backwall_survey::integrity::variation::{LEVEL_ONE, averaging_length, level_one};
use backwall_survey::integrity::{FormulaSource, Worked, WorkedAnswer};
use backwall_survey::job::plan::AssetKind;
use backwall_units::{Length, LengthUnit, LossRate};

impl Work<'_> {
    fn is_tank(&self) -> bool {
        self.facts.plan.asset.kind == AssetKind::TankShell
    }

    fn source(&self) -> FormulaSource {
        if self.is_tank() { AVERAGE } else { LEVEL_ONE }
    }

    /// What was planned of the course, and what was driven of it beyond that.
    pub(super) fn reach(&self) -> (Length, Length) {
        let places = || self.shots.iter().map(|shot| shot.along);
        (places().fold(self.edges.0, Length::min), places().fold(self.edges.1, Length::max))
    }

    /// What may corrode until the next inspection, by the highest rate.
    fn allowance(&self, upper: Option<LossRate>) -> Length {
        let planned = upper.zip(self.assess.interval).map(|(rate, years)| rate * years);
        self.assess.corrosion_allowance.or(planned).unwrap_or_default()
    }

    fn test(&self, required: Length, allowance: Length) -> Test {
        let (average, least) = if self.is_tank() { (required, required * 0.6) } else { level_one(required, self.course.nominal) };
        let (average, least) = (average + allowance, least + allowance);
        Test { average, least, nominal: self.course.nominal, max_gap: self.facts.plan.limits.max_gap, source: self.source() }
    }

    /// All of the course is to be driven again.
    pub(super) fn nothing_read(&mut self) {
        let (from, to) = self.reach();
        if to > from {
            self.done.summary.again = Some(to - from);
            self.done.summary.drive_again = vec![BinStretch { from, to }];
        }
    }

    /// A reading that agrees with no neighbour and would not be enough, whatever its U: it decides nothing, and nothing is met before it was
    /// looked at by hand.
    fn one_alone_under(&self, wanted: Length) -> Option<DatedWall> {
        self.of_minimum.alone.filter(|wall| decide(wall.thickness, None, wanted) == Decision::NotMet)
    }

    pub(super) fn averages(&mut self, least: DatedWall, required: Option<Length>, upper: Option<LossRate>) {
        let allowance = self.allowance(upper);
        let test = required.map(|required| self.test(required, allowance));
        // Without averages the minimum alone may still say that it is not met.
        if let Some(test) = &test {
            let by_least = decide(least.thickness, least.uncertainty, test.least);
            self.done.summary.decision = if by_least == Decision::NotMet { by_least } else { Decision::NotDecided };
            self.done.summary.decision_why = format!("by the minimum reading alone: {}; there are no averages", by_least.word());
        } else {
            self.done.summary.decision_why = "the required thickness is not known".to_owned();
        }
        if self.readings.is_empty() {
            return self.lacks("Lowest average", &["places: the stream has no encoder"]);
        }
        if self.is_tank() && !self.facts.path.direction.is_upright() {
            self.done.missing.push("Lowest average t1: the code averages along vertical lines, and this one runs across".to_owned());
            return;
        }
        let asset = &self.facts.plan.asset;
        let length = if self.is_tank() {
            tank_length(asset.diameter, least.thickness)
        } else {
            let inside = if asset.kind == AssetKind::Pipe { asset.diameter - self.course.nominal * 2.0 } else { asset.diameter };
            averaging_length(inside, least.thickness, allowance, self.course.nominal - allowance)
        };
        let Some(length) = self.take(length) else { return };
        let (plan, reach) = (self.facts.plan, self.reach());
        let by_track = by_track(&self.shots, &plan.tracks).into_iter();
        let by_track: Option<Vec<_>> = by_track.map(|track| Some((Bins::of(&track.shots, reach, plan.limits.max_gap)?, track))).collect();
        let Some(by_track) = by_track else {
            self.done.missing.push("Lowest average t1: the course has no length on this line".to_owned());
            return;
        };
        // What was read beside the tracks of the plan is no part of what is to be read: it counts where nothing else was.
        let windows = |is_beside: bool| {
            let all = by_track.iter().filter(|(_, track)| track.is_beside == is_beside);
            all.filter_map(|(bins, _)| Windows::of(bins, length, self.course.nominal)).reduce(Windows::and)
        };
        let Some(windows) = windows(false).or_else(|| windows(true)) else {
            self.done.missing.push("Lowest average t1: too little was read in every bin".to_owned());
            self.done.summary.decision_why.push_str(": too little was read");
            return self.nothing_read();
        };
        self.done.summary.average_low = Some(windows.low);
        self.done.summary.average_high = Some(windows.high);
        self.done.summary.average = Some(windows.low).filter(|low| windows.high - *low < Length::mm(1e-9));
        let Some((required, test)) = required.zip(test) else {
            self.done.numbers.push(windows_worked(&windows, length, self.source()));
            return;
        };
        let Some(averages) = self.judged(&by_track, length, least, &test) else { return self.nothing_read() };
        let again = averages.again.iter().fold(Length::ZERO, |sum, stretch| sum + stretch.length());
        let summary = &mut self.done.summary;
        summary.decision = averages.decision;
        summary.decision_why = why(&averages, &test, least, self.facts.unit);
        if averages.least == Decision::NotDecided && self.of_minimum.even_only {
            self.done
                .summary
                .decision_why
                .push_str("; t2 is for an even wall only, no U holds for what else lies under the beam: prove it by hand");
        }
        if let Some(wall) = self.one_alone_under(test.least).filter(|_| averages.decision != Decision::NotMet) {
            let summary = &mut self.done.summary;
            summary.decision = Decision::NotDecided;
            let read = crate::words::thickness(self.facts.unit, wall.thickness);
            summary.decision_why.push_str(&format!("; {read} was read where no neighbour agrees: prove it by hand"));
        }
        let summary = &mut self.done.summary;
        summary.unread_must = averages.unread_must;
        summary.again = Some(again).filter(|again| *again > Length::ZERO);
        summary.drive_again = averages.again;
        if self.is_tank() {
            if let Some(rate) = upper.filter(|rate| *rate > LossRate::ZERO && averages.decision == Decision::Met) {
                let now = self.test(required, Length::ZERO);
                let lasting = lasting(averages.average_safe, safe_end(least.thickness, least.uncertainty), &now, rate);
                self.take(lasting);
            }
            for (_, track) in &by_track {
                let read = track.shots.iter().filter_map(|shot| Some((shot.along, shot.thickness?)));
                let read: Vec<_> = if track.track.is_none() && !track.is_beside { self.readings.clone() } else { read.collect() };
                let pits = pits(&read, required, allowance, plan.limits.max_gap).map(|pits| on_track(pits, track));
                self.take(pits);
            }
        }
    }

    /// Both tests on each track by itself; all of them must be met. An average over two of them would be of no wall at all.
    fn judged(&mut self, by_track: &[(Bins, TrackShots<'_>)], length: Length, least: DatedWall, test: &Test) -> Option<Averages> {
        let mut together: Option<Averages> = None;
        let mut unread = false;
        for (bins, track) in by_track {
            if bins.is_unread() {
                if let Some(of) = track.track {
                    unread = true;
                    let channel = crate::words::safe_text(&of.channel);
                    self.done.missing.push(format!("Lowest average t1 on the track of channel {channel}: nothing was read"));
                }
                continue;
            }
            let judged = match assess(bins, length, (least.thickness, least.uncertainty), test) {
                Ok(judged) => judged,
                Err(refusal) => {
                    self.done.missing.push(refusal.to_string());
                    continue;
                }
            };
            if track.is_beside && judged.value.decision != Decision::NotMet {
                continue;
            }
            let judged = self.take(Ok(on_track(judged, track)))?;
            together = Some(match together.take() {
                Some(known) => known.and(judged),
                None => judged,
            });
        }
        let mut together = together?;
        if unread && together.decision != Decision::NotMet {
            let (from, to) = self.reach();
            together.average = together.average.and(Decision::NotDecided);
            together.least = together.least.and(Decision::NotDecided);
            (together.decision, together.again) = (Decision::NotDecided, vec![BinStretch { from, to }]);
        }
        Some(together)
    }
}

/// Says of which track a number is, where the plan has tracks.
fn on_track<T>(answer: WorkedAnswer<T>, track: &TrackShots<'_>) -> WorkedAnswer<T> {
    match track.track {
        Some(of) => WorkedAnswer { worked: answer.worked.given("", "track, beside the line", of.offset.as_mm(), "mm"), ..answer },
        None => answer,
    }
}

/// Why it is decided so, or not.
fn why(averages: &Averages, test: &Test, least: DatedWall, unit: LengthUnit) -> String {
    let mm = |length: Length| crate::words::thickness(unit, length);
    let windows = &averages.windows;
    let (low, high) = (mm(windows.low), mm(windows.high));
    let average = if low == high { low } else { format!("{low} to {high} (unread wall as zero, as nominal)") };
    let mut words = vec![
        format!("t1 {average} against {}: {}", mm(test.average), averages.average.word()),
        format!("t2 {} against {}: {}", mm(least.thickness), mm(test.least), averages.least.word()),
    ];
    match averages.unread_must {
        // Thick enough whatever the unread wall is, and yet not proven.
        Some(Length::ZERO) => words.push("less than 80 % of some stretch was read, or it was read without U".to_owned()),
        Some(must) => {
            let more = if must > test.nominal { ", which is more than nominal" } else { "" };
            words.push(format!("met if the unread wall averages at least {}{more}", mm(must)));
        }
        None => {}
    }
    if averages.open_by_even_only {
        words.push(format!(
            "{:.0} % of the lowest stretch is for an even wall only and counts as the lowest wall read within a bin of it: prove it by hand",
            100.0 * windows.even_wall_only
        ));
    }
    if averages.least == Decision::NotDecided && decide(least.thickness, least.uncertainty, test.least) == Decision::Met {
        words.push(format!("t2 is known only of what was read, and echoes are further apart than {}", mm(test.max_gap)));
    }
    if averages.decision == Decision::NotDecided && averages.least != Decision::NotMet && !averages.again.is_empty() {
        let again = averages.again.iter().fold(Length::ZERO, |sum, stretch| sum + stretch.length());
        words.push(format!("drive {} again", crate::words::place(unit, again)));
    }
    words.join("; ")
}

fn windows_worked(windows: &Windows, length: Length, source: FormulaSource) -> Worked {
    Worked::new("Lowest average", "t1 of a stretch of m bins, k read, lies in [S/m, (S + (m - k) nominal)/m]", source)
        .given("L", "averaging length", length.as_mm(), "mm")
        .given("m", "bins in a stretch", windows.bins as f64, "")
        .gives("t1", "lowest average, unread wall as zero", windows.low.as_mm(), "mm")
        .gives("t1", "unread wall as nominal", windows.high.as_mm(), "mm")
        .gives("", "from", windows.at.from.as_mm(), "mm")
        .gives("", "to", windows.at.to.as_mm(), "mm")
}

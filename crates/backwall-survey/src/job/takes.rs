//! What a job will take: metres to scan, time, battery, cable, size of the job file; as far as the plan has the numbers. What it
//! does not have is named, never assumed.

use super::Plan;
use super::plan::{CrawlerPlan, Line};
use crate::travel::Direction;
use backwall_units::{Length, LengthUnit, Minutes};

/// Bytes a stored shot takes beside its samples, and bytes a sample takes packed: measured with the simulated crawler (10,000 shots of
/// 512 and 2,048 samples at 38 dB over noise), with samples of 8 and of 16 bits; 12 bits take 0.86. See `docs/job-file.md`.
const SHOT_BYTES: f64 = 150.0;
const SAMPLE_BYTES: [f64; 2] = [0.39, 1.55];
/// A job file before its first run.
const EMPTY_BYTES: f64 = 0.3e6;

/// Whether the cable is long enough for a line.
#[derive(Debug, Clone, PartialEq)]
pub enum Reach {
    /// It is, with this much left.
    Spare(Length),
    /// It is not, by this much at least.
    Short(Length),
    /// The plan does not have this key.
    Missing(&'static str),
}

#[derive(Debug, Clone, PartialEq)]
pub struct LineTakes {
    pub name: String,
    pub length: Length,
    pub time: Minutes,
    pub reach: Reach,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Takes {
    pub lines: Vec<LineTakes>,
    pub length: Length,
    /// One way at the speed limit.
    pub time: Minutes,
    pub battery: Option<Minutes>,
    pub shots: Option<f64>,
    /// From samples of 8 bits to samples of 16.
    pub bytes: Option<[f64; 2]>,
    /// Keys that would be needed to say more.
    pub missing: Vec<&'static str>,
}

/// One line of what is said; `lacks` where something will not do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakesSaid {
    pub words: String,
    pub lacks: bool,
}

impl Takes {
    pub fn of(plan: &Plan) -> Self {
        let crawler = plan.crawler.clone().unwrap_or_default();
        let of_line = |line: &Line| LineTakes {
            name: line.name.clone(),
            length: line.length,
            time: line.length / plan.limits.max_speed,
            reach: reach(&crawler, line),
        };
        let lines: Vec<_> = plan.lines.iter().map(of_line).collect();
        let length = lines.iter().fold(Length::ZERO, |sum, line| sum + line.length);
        let time = length / plan.limits.max_speed;
        let shots = crawler.shots_per_s.map(|rate| time.as_seconds() * rate);
        let bytes = shots
            .zip(crawler.samples)
            .map(|(shots, samples)| SAMPLE_BYTES.map(|sample| EMPTY_BYTES + shots * (SHOT_BYTES + f64::from(samples) * sample)));
        let mut missing = Vec::new();
        let lacking = [
            ("crawler.battery_min", crawler.battery.is_none()),
            ("crawler.shots_per_s", crawler.shots_per_s.is_none()),
            ("crawler.samples", crawler.samples.is_none()),
        ];
        missing.extend(lacking.into_iter().filter(|(_, lacks)| *lacks).map(|(key, _)| key));
        for line in &lines {
            if let Reach::Missing(key) = line.reach
                && !missing.contains(&key)
            {
                missing.push(key);
            }
        }
        Self { lines, length, time, battery: crawler.battery, shots, bytes, missing }
    }

    /// How often the battery is used up, at least.
    pub fn batteries(&self) -> Option<f64> {
        self.battery.map(|battery| (self.time / battery).ceil().max(1.0))
    }

    /// Lines that the cable does not reach.
    pub fn too_short(&self) -> impl Iterator<Item = &str> {
        self.lines.iter().filter(|line| matches!(line.reach, Reach::Short(_))).map(|line| line.name.as_str())
    }

    /// In words, the most important first.
    pub fn words(&self, unit: LengthUnit, plan: &Plan) -> Vec<TakesSaid> {
        let place = |length| format!("{} {}", unit.place(length), unit.place_symbol());
        let fine = |words: String| TakesSaid { words, lacks: false };
        let mut said = vec![fine(format!(
            "to scan: {} in {}, {} at {} {}, one way",
            place(self.length),
            counted(self.lines.len(), "line"),
            self.time,
            unit.speed(plan.limits.max_speed),
            unit.speed_symbol()
        ))];
        if let (Some(battery), Some(count)) = (self.battery, self.batteries()) {
            said.push(match count {
                1.0 => fine(format!("battery: {battery}, enough for that")),
                count => TakesSaid { words: format!("battery: {battery} is not enough: {count} of them at least"), lacks: true },
            });
        }
        said.extend(self.cable(&place));
        if let (Some([low, high]), Some(shots)) = (self.bytes, self.shots) {
            said.push(fine(format!("job file: {} to {}, by {shots:.0} shots", megabytes(low), megabytes(high))));
        }
        if plan.crawler.is_none() {
            said.push(fine("no [crawler] in plan: battery, cable, file size not checked".to_owned()));
        } else if !self.missing.is_empty() {
            said.push(fine(format!("not in the plan: {}", self.missing.join(", "))));
        }
        said
    }

    fn cable(&self, place: &impl Fn(Length) -> String) -> Vec<TakesSaid> {
        let short: Vec<_> = self
            .lines
            .iter()
            .filter_map(|line| match line.reach {
                Reach::Short(by) => Some(format!("{} by {}", line.name, place(by))),
                _ => None,
            })
            .collect();
        let spare = self.lines.iter().filter_map(|line| match line.reach {
            Reach::Spare(left) => Some((left, &line.name)),
            _ => None,
        });
        let count = spare.clone().count();
        let tightest = spare.min_by(|a, b| a.0.total_cmp(&b.0));
        let mut said = Vec::new();
        if !short.is_empty() {
            said.push(TakesSaid { words: format!("cable: TOO SHORT for {}", short.join(", ")), lacks: true });
        }
        if let Some((left, name)) = tightest {
            let all = if count == self.lines.len() { "all lines".to_owned() } else { counted(count, "line") };
            said.push(TakesSaid { words: format!("cable: reaches {all}, {} to spare on {name}", place(left)), lacks: false });
        }
        said
    }
}

/// The console stands at the foot of the line's start. Up and down the cable lies along the wall to the highest place; across it lies
/// aslant to the far end.
fn reach(crawler: &CrawlerPlan, line: &Line) -> Reach {
    let on_wall = match (line.direction, line.elevation) {
        (Direction::Up, _) => line.start + line.length,
        (Direction::Down, _) => line.start,
        (Direction::Across, Some(elevation)) => Length::mm(libm::hypot(elevation.as_mm(), line.length.as_mm())),
        (Direction::Across, None) => return Reach::Missing("line.elevation_mm"),
    };
    let Some(cable) = crawler.cable else { return Reach::Missing("crawler.cable_m") };
    let left = cable - on_wall - crawler.cable_to_datum.unwrap_or_default();
    match (left < Length::ZERO, crawler.cable_to_datum) {
        // Too short for the wall alone needs no more to be known.
        (true, _) => Reach::Short(-left),
        (false, None) => Reach::Missing("crawler.cable_to_datum_m"),
        (false, Some(_)) => Reach::Spare(left),
    }
}

pub(super) fn counted(count: usize, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}

/// With two digits that count: it is an estimate.
fn megabytes(bytes: f64) -> String {
    match bytes / 1e6 {
        mb if mb < 10.0 => format!("{mb:.1} MB"),
        mb if mb < 1000.0 => format!("{:.0} MB", if mb < 100.0 { mb } else { (mb / 10.0).round() * 10.0 }),
        mb => format!("{:.1} GB", mb / 1000.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(crawler: &str) -> Plan {
        let (head, rest) = include_str!("../../../../demo-stream/plan.toml").split_once("\n[asset]").unwrap();
        let head = head.split("[crawler]").next().unwrap();
        Plan::parse("plan.toml", &format!("{head}\n[crawler]\n{crawler}\n[asset]{rest}")).unwrap_or_else(|error| panic!("{error}"))
    }

    // Arithmetic on the demo's plan: 6 + 2 + 2 m at 60 mm/s are 166.7 s; up to 6 m, down from 2 m, across 2 m at 0.3 m: hypot 2.022 m.
    #[test]
    fn what_the_plan_has_is_worked_out_by_hand() {
        let takes = Takes::of(&plan("battery_min = 2\ncable_m = 10\ncable_to_datum_m = 3.5\nshots_per_s = 300\nsamples = 1000"));
        assert_eq!(takes.length, Length::mm(10_000.0));
        assert!((takes.time.as_seconds() - 166.667).abs() < 0.001);
        assert_eq!(takes.batteries(), Some(2.0));
        assert_eq!(takes.lines[0].reach, Reach::Spare(Length::mm(500.0)));
        assert_eq!(takes.lines[1].reach, Reach::Spare(Length::mm(4500.0)));
        let Reach::Spare(left) = takes.lines[2].reach else { panic!("{:?}", takes.lines[2]) };
        assert!((left.as_mm() - (6500.0 - 2022.375)).abs() < 0.001, "{left}");
        assert!((takes.shots.unwrap() - 50_000.0).abs() < 0.01);
        // 0.3 MB + 50,000 * (150 + 390) and (150 + 1,550).
        let [low, high] = takes.bytes.unwrap();
        assert!((low - 27.3e6).abs() < 1.0 && (high - 85.3e6).abs() < 1.0, "{low} {high}");
        assert!(takes.missing.is_empty());
    }

    #[test]
    fn what_is_missing_is_named_and_a_cable_too_short_for_the_wall_alone_is_said() {
        let all_missing = ["crawler.battery_min", "crawler.shots_per_s", "crawler.samples", "crawler.cable_m"];
        let takes = Takes::of(&Plan { crawler: None, ..plan("") });
        assert_eq!((takes.missing.as_slice(), takes.batteries(), takes.bytes), (all_missing.as_slice(), None, None));
        let takes = Takes::of(&plan("cable_m = 5"));
        assert_eq!(takes.lines[0].reach, Reach::Short(Length::mm(1000.0)));
        assert_eq!(takes.lines[1].reach, Reach::Missing("crawler.cable_to_datum_m"));
        let mut across = plan("cable_m = 5");
        across.lines[2].elevation = None;
        assert_eq!(Takes::of(&across).lines[2].reach, Reach::Missing("line.elevation_mm"));
    }

    #[test]
    fn what_will_not_do_stands_out() {
        let plan = plan("battery_min = 1\ncable_m = 8\ncable_to_datum_m = 3");
        let said = Takes::of(&plan).words(LengthUnit::Mm, &plan);
        let lacking: Vec<_> = said.iter().filter(|said| said.lacks).map(|said| said.words.as_str()).collect();
        assert_eq!(lacking, ["battery: 1 min is not enough: 3 of them at least", "cable: TOO SHORT for A090 by 1.000 m"]);
        assert!(said[0].words.starts_with("to scan: 10.000 m in 3 lines, 3 min at 60 mm/s"), "{said:?}");
        assert!(said.last().unwrap().words.ends_with("crawler.shots_per_s, crawler.samples"), "{said:?}");
    }
}

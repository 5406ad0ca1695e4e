//! Comparing two surveys: finding the offset, refusing to invent one, and calling a change a change only beyond U.

use backwall_survey::strip::compare::{self, Change, CompareSettings, Point, SetupFacts, SurveyLine, Verdict, align};
use backwall_survey::travel::Direction;
use backwall_ultrasound::{Mode, Picker};
use backwall_units::{Length, LengthUnit, Temperature, Velocity};

/// Numbers that only look random, so that every run of the test is the same (Knuth's MMIX generator).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    /// About normal, standard deviation 1 (sum of twelve).
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() - 6.0
    }
}

/// A wall of 10 mm with pits of its own, the same for the same seed.
fn wall(seed: u64, length: f64) -> impl Fn(f64) -> f64 {
    let mut dice = Dice(seed);
    let pits: Vec<(f64, f64, f64)> =
        (0..(length / 60.0) as usize).map(|_| (dice.next() * length, 0.2 + 1.5 * dice.next(), 8.0 + 20.0 * dice.next())).collect();
    move |x| 10.0 - pits.iter().map(|(at, depth, width)| depth * (-(x - at) * (x - at) / (2.0 * width * width)).exp()).sum::<f64>()
}

/// Readings every millimetre with scatter; `shift` is where the survey believes it is, less where it is.
fn survey(wall: impl Fn(f64) -> f64, from: f64, to: f64, shift: f64, seed: u64) -> Vec<Point> {
    let mut dice = Dice(seed);
    let count = (to - from) as usize;
    (0..count)
        .map(|i| from + i as f64 + 0.5)
        .map(|x| Point {
            along: Length::mm(x + shift),
            thickness: Length::mm(wall(x) + 0.03 * dice.normal()),
            uncertainty: Some(Length::mm(0.046)),
        })
        .collect()
}

fn line(points: Vec<Point>) -> SurveyLine {
    SurveyLine {
        line: "A090".into(),
        source: "test".into(),
        datum: Some("bottom weld".into()),
        direction: Some(Direction::Up),
        date: None,
        setup: SetupFacts {
            velocity: Some(Velocity::m_s(5920.0)),
            mode: Some(Mode::FirstEcho),
            picker: Some(Picker::Matched),
            wall_temperature: Some(Temperature::celsius(18.0)),
            velocity_slope_m_s_k: Some(-0.8),
            calibrated: Some(true),
        },
        points,
        without: 0,
    }
}

// JCGM 100:2008 (GUM), equation 10, for the difference of two results of u = 0.046193 mm each: U = 2·√2·u = 0.130653 mm
// (budget: velocity ±0.5 % and temperature ±10 K rectangular, timing 5 ns, zero 3 ns, block 0.01 mm, display, coupling;
// arithmetic worked from the equation).
#[test]
fn the_uncertainty_of_a_change_is_that_of_both_surveys_together() {
    let rectangular = |half: f64| half / 3f64.sqrt();
    let parts = [
        10.0 * rectangular(0.005 * 5920.0) / 5920.0,
        10.0 * rectangular(8.0) / 5920.0,
        2.96 * 0.005,
        2.96 * 0.003,
        0.01,
        rectangular(0.005),
        rectangular(0.05),
    ];
    let u = parts.iter().map(|part| part * part).sum::<f64>().sqrt();
    assert!((u - 0.046193).abs() < 1e-6 && (2.0 * u - 0.092385).abs() < 1e-6);
    let expanded = compare::combined(Length::mm(u), Length::mm(u));
    assert!((expanded.as_mm() - 0.130653).abs() < 1e-6);
    assert_eq!(Change::judge(Length::mm(-0.1306), Some(expanded)), Change::None);
    assert_eq!(Change::judge(Length::mm(-0.1307), Some(expanded)), Change::Thinner);
    assert_eq!(Change::judge(Length::mm(0.2), Some(expanded)), Change::Thicker);
    assert_eq!(Change::judge(Length::mm(-3.0), None), Change::Unjudged);
}

#[test]
fn an_offset_is_found_to_the_step_whatever_its_sign() {
    for shift in [-212.0, -37.0, 0.0, 8.0, 333.0] {
        let now = survey(wall(7, 4000.0), 0.0, 4000.0, 0.0, 1);
        let earlier = survey(wall(7, 4000.0), 0.0, 4000.0, shift, 2);
        let found = align(&now, &earlier, &CompareSettings::default());
        assert_eq!(found.verdict, Verdict::Found, "{found:?}");
        assert!((found.offset.unwrap().as_mm() + shift).abs() <= 2.0, "shift {shift}: {found:?}");
        assert!(found.best.unwrap().correlation > 0.8);
    }
}

#[test]
fn a_survey_of_a_part_with_gaps_and_course_steps_is_found_as_well() {
    let pitted = wall(9, 6000.0);
    let stepped = |x: f64| pitted(x) - if x > 2400.0 { 2.0 } else { 0.0 };
    let now = survey(stepped, 0.0, 6000.0, 0.0, 1);
    let mut earlier = survey(stepped, 1500.0, 4500.0, 64.0, 2);
    earlier.retain(|point| (point.along.as_mm() as i64 / 100) % 4 != 0);
    let found = align(&now, &earlier, &CompareSettings::default());
    assert_eq!(found.verdict, Verdict::Found, "{found:?}");
    assert!((found.offset.unwrap().as_mm() + 64.0).abs() <= 2.0, "{found:?}");
}

#[test]
fn a_flat_wall_a_slope_and_another_wall_give_no_offset() {
    let flat = |seed| survey(|_| 9.5, 0.0, 4000.0, 0.0, seed);
    let found = align(&flat(1), &flat(2), &CompareSettings::default());
    assert_eq!((found.verdict, found.offset), (Verdict::NoShape, None), "{found:?}");
    let slope = |shift, seed| survey(|x| 10.0 - x / 2000.0, 0.0, 4000.0, shift, seed);
    let found = align(&slope(0.0, 1), &slope(100.0, 2), &CompareSettings::default());
    assert_eq!(found.offset, None, "{found:?}");
    let now = survey(wall(7, 3000.0), 0.0, 3000.0, 0.0, 1);
    for other in 20..28 {
        let found = align(&now, &survey(wall(other, 3000.0), 0.0, 3000.0, 0.0, 2), &CompareSettings::default());
        assert_eq!(found.offset, None, "{found:?}");
    }
    let dead_flat: Vec<Point> = flat(1).into_iter().map(|point| Point { thickness: Length::mm(9.5), ..point }).collect();
    assert_eq!(align(&dead_flat, &dead_flat, &CompareSettings::default()).verdict, Verdict::TooShort);
    assert_eq!(align(&[], &flat(1), &CompareSettings::default()).verdict, Verdict::TooShort);
}

#[test]
fn a_wall_that_repeats_itself_is_called_ambiguous() {
    let ripple = |shift, seed| survey(|x| 10.0 + 0.3 * (x / 20.0).sin(), 0.0, 3000.0, shift, seed);
    let found = align(&ripple(0.0, 1), &ripple(30.0, 2), &CompareSettings::default());
    assert_eq!((found.verdict, found.offset), (Verdict::Ambiguous, None), "{found:?}");
    assert!(found.why.contains("fit about as well"), "{}", found.why);
}

#[test]
fn a_survey_from_the_other_end_is_noticed() {
    let now = survey(wall(7, 4000.0), 0.0, 4000.0, 0.0, 1);
    let turned: Vec<Point> = survey(wall(7, 4000.0), 0.0, 4000.0, 0.0, 2)
        .into_iter()
        .map(|point| Point { along: Length::mm(4000.0) - point.along, ..point })
        .collect();
    let found = align(&now, &turned, &CompareSettings::default());
    assert_eq!((found.verdict, found.offset), (Verdict::Reversed, None), "{found:?}");
    // Told that it was driven down from 4000 mm, it is laid the right way.
    let told: Vec<Point> =
        turned.iter().map(|point| Point { along: compare::along(point.along, Length::mm(4000.0), Direction::Down), ..*point }).collect();
    assert_eq!(align(&now, &told, &CompareSettings::default()).verdict, Verdict::Found);
}

#[test]
fn an_unchanged_wall_shows_no_change_and_a_grown_pit_does() {
    let pitted = wall(7, 2000.0);
    let now = survey(|x| pitted(x) - if (1000.0..1050.0).contains(&x) { 0.5 } else { 0.0 }, 0.0, 2000.0, 0.0, 1);
    let earlier = survey(wall(7, 2000.0), 0.0, 1500.0, 40.0, 2);
    let all = compare::compare(&now, &earlier, Length::mm(-40.0), &CompareSettings::default());
    assert_eq!((all.bins.len(), all.only_now, all.only_earlier), (150, 50, 0));
    assert_eq!(all.stretches.len(), 1, "{:?}", all.stretches);
    let grown = all.stretches[0];
    assert_eq!((grown.from, grown.to, grown.mean.change), (Length::mm(1000.0), Length::mm(1050.0), Change::Thinner));
    assert!((grown.mean.difference.as_mm() + 0.5).abs() < 0.03, "{grown:?}");
    assert_eq!(all.whole.unwrap().mean.change, Change::None);
    let course =
        compare::Comparison::between(&now, &earlier, Length::mm(-40.0), &CompareSettings::default(), Length::mm(990.0), Length::mm(1100.0));
    assert_eq!(course.unwrap().bins, 11);
}

#[test]
fn without_an_earlier_uncertainty_nothing_is_judged() {
    let now = survey(wall(7, 500.0), 0.0, 500.0, 0.0, 1);
    let earlier: Vec<Point> =
        now.iter().map(|point| Point { thickness: point.thickness + Length::mm(2.0), uncertainty: None, ..*point }).collect();
    let all = compare::compare(&now, &earlier, Length::ZERO, &CompareSettings::default());
    assert!(all.bins.iter().all(|bin| bin.mean.change == Change::Unjudged));
    assert!(all.stretches.is_empty());
    let told = compare::warnings(&line(now), &line(earlier), LengthUnit::Mm).join("\n");
    assert!(told.contains("gives no uncertainty"), "{told}");
}

#[test]
fn set_ups_are_compared_before_walls() {
    let now = line(survey(wall(7, 500.0), 0.0, 500.0, 0.0, 1));
    assert_eq!(compare::warnings(&now, &now, LengthUnit::Mm), Vec::<String>::new());
    let mut other = now.clone();
    other.setup.velocity = Some(Velocity::m_s(5890.0));
    other.setup.mode = Some(Mode::EchoToEcho);
    other.setup.picker = Some(Picker::LeadingEdge);
    other.setup.wall_temperature = Some(Temperature::celsius(60.0));
    other.datum = Some("top angle".into());
    other.direction = Some(Direction::Down);
    let told = compare::warnings(&now, &other, LengthUnit::Mm).join("\n");
    for word in
        ["another datum", "driven up now and down", "another velocity: 5920.0 m/s now, 5890.0", "+0.05 mm", "mode", "picker", "temperature"]
    {
        assert!(told.contains(word), "{word} in {told}");
    }
    let silent = SurveyLine { setup: SetupFacts::default(), datum: None, direction: None, ..now.clone() };
    let told = compare::warnings(&now, &silent, LengthUnit::Mm).join("\n");
    assert!(told.contains("does not give its velocity, mode, picker, wall temperature"), "{told}");
    let inches = SurveyLine {
        points: now.points.iter().map(|point| Point { thickness: point.thickness / 25.4, ..*point }).collect(),
        ..now.clone()
    };
    assert!(compare::warnings(&now, &inches, LengthUnit::Mm).join("\n").contains("check the unit"));
}

#[test]
fn mad_places_and_empty_surveys_do_no_harm() {
    let now = survey(wall(7, 500.0), 0.0, 500.0, 0.0, 1);
    let mut mad = now.clone();
    mad.push(Point { along: Length::mm(1e300), thickness: Length::mm(9.0), uncertainty: None });
    mad.push(Point { along: Length::mm(f64::NAN), thickness: Length::mm(f64::NAN), uncertainty: None });
    assert_eq!(compare::compare(&now, &mad, Length::ZERO, &CompareSettings::default()).bins.len(), 50);
    align(&now, &mad, &CompareSettings::default());
    let none = compare::compare(&now, &[], Length::ZERO, &CompareSettings::default());
    assert_eq!((none.bins.len(), none.whole, none.only_now), (0, None, 50));
}

mod tables {
    use backwall_report::earlier::{self, ColumnRole, ColumnUnit, EarlierTable, EarlierTold};
    use backwall_survey::strip::compare::Verdict;
    use backwall_survey::travel::Direction;
    use backwall_units::Length;
    use std::path::PathBuf;

    fn file(name: &str, text: &[u8]) -> (tempfile::TempDir, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        (folder, path)
    }
    fn load(text: &str, told: &EarlierTold) -> Result<EarlierTable, String> {
        let (_folder, path) = file("earlier.csv", text.as_bytes());
        earlier::load(&path, told).map_err(|error| error.to_string())
    }

    #[test]
    fn columns_named_like_an_export_need_no_telling() {
        let text = "\u{feff}line,position_mm,thickness_mm,uncertainty_k2_mm,host_time,calibration\r\n\
                    A090,1.5,9.512345,0.10,2019-05-31T10:00:00.000000Z,valid\r\nA090,2.5,,,2019-05-31T10:00:01Z,valid\r\n\
                    A180,0,8.0,0.10,2019-06-01T10:00:00Z,suspect\r\nA180,0,8.1,0.10,2019-06-01T10:00:00Z,pending\r\n";
        let survey = load(text, &EarlierTold::default()).unwrap();
        assert_eq!(survey.lines.len(), 2);
        let line = survey.line(" a090").unwrap();
        assert_eq!((line.points.len(), line.without, line.date.unwrap().to_string().as_str()), (1, 1, "2019-05-31"));
        assert_eq!((line.points[0].along, line.points[0].uncertainty), (Length::mm(1.5), Some(Length::mm(0.05))));
        assert_eq!(survey.lines[1].points.len(), 1);
        assert!(survey.remarks[0].contains("suspect"));
    }

    #[test]
    fn inches_and_a_spreadsheet_with_semicolons_and_decimal_commas_are_read() {
        let told = EarlierTold {
            columns: vec![(ColumnRole::Position, "Elev (ft)".into()), (ColumnRole::Thickness, "Wall".into())],
            unit: Some(ColumnUnit::In),
            line: Some("A090".into()),
            expanded: Some(Length::mm(0.2)),
            ..EarlierTold::default()
        };
        let survey = load("Elev (ft);Wall;Remark\n1,5;0,394;x\n\n2;;no echo\n", &told).unwrap();
        let point = survey.lines[0].points[0];
        assert!((point.along.as_mm() - 457.2).abs() < 1e-9 && (point.thickness.as_mm() - 10.0076).abs() < 1e-9);
        assert_eq!((point.uncertainty, survey.lines[0].without), (Some(Length::mm(0.1)), 1));
    }

    #[test]
    fn what_is_missing_or_impossible_is_named_with_file_line_and_the_columns_there_are() {
        let line = EarlierTold { line: Some("A090".into()), ..EarlierTold::default() };
        for (text, told, wanted) in [
            (
                "a,b\n1,2\n",
                &line,
                "earlier.csv:1: there is no column 'position': name the one that holds it (--column position=NAME); the columns are a, b",
            ),
            ("position_mm,value\n1,2\n", &line, "no column 'thickness'"),
            ("position_mm,wall\n1,2\n", &line, "earlier.csv:1: column 'wall' does not give its unit"),
            ("Elev [ft],Height (mm),Wall (mm)\n1,2,3\n", &line, "'Elev [ft]' and 'Height (mm)' could each be the position"),
            ("position,thickness_mm\n1,2\n", &line, "earlier.csv:1: column 'position' does not give its unit"),
            ("position_mm,thickness_mm\n1,2\n", &EarlierTold::default(), "no column with the line's name"),
            ("position_mm,thickness_mm\n1,2\n", &EarlierTold { unit: Some(ColumnUnit::In), ..line.clone() }, "contradicts"),
            ("position_mm,thickness_mm\n1,9.5\n2,nine\n", &line, "earlier.csv:3: thickness: 'nine' is not a number"),
            ("position_mm,thickness_mm\n1,-9.5\n", &line, "earlier.csv:2: thickness: is not greater than 0"),
            ("position_mm,thickness_mm\n1,5,9,5\n", &line, "earlier.csv:2: has 4 fields under 2 column names"),
            ("position_mm,thickness_mm\n1,inf\n", &line, "is not a number"),
            ("position_mm,thickness_mm\n", &line, "no reading"),
            ("", &line, "is empty"),
            ("position_mm,thickness_mm,date\n1,2,yesterday\n", &line, "earlier.csv:2: date: 'yesterday' is not a day"),
            (
                "position_mm,thickness_mm,date\n1,2,03/04/2019\n",
                &line,
                "'03/04/2019' may be 2019-04-03 or 2019-03-04: say how days are written",
            ),
            (
                "position_mm,thickness_mm\n1,2\n",
                &EarlierTold { columns: vec![(ColumnRole::Date, "when".into())], ..line.clone() },
                "there is no column 'when' for the date; the columns are position_mm, thickness_mm",
            ),
            (
                "position_mm,thickness_mm\n1,2\n",
                &EarlierTold { direction: Some(Direction::Down), ..line.clone() },
                "give that place as well",
            ),
        ] {
            let error = load(text, told).unwrap_err();
            assert!(error.contains(wanted), "{error}\n  wanted {wanted}");
        }
        let (_folder, path) = file("earlier.csv", &[0xff, 0xfe, b'p', 0]);
        assert!(earlier::load(&path, &line).unwrap_err().to_string().contains("UTF-16"));
        let (_folder, path) = file("earlier.csv", &[1, 0, 2]);
        assert!(earlier::load(&path, &line).unwrap_err().to_string().contains("neither a job file nor text"));
        assert!(earlier::load(&path.with_file_name("gone"), &line).unwrap_err().to_string().contains("cannot be read"));
    }

    #[test]
    fn a_table_driven_down_from_the_top_is_laid_the_right_way() {
        let text: String = super::survey(super::wall(7, 2000.0), 0.0, 2000.0, 0.0, 2)
            .iter()
            .map(|point| format!("{},{}\n", 2000.0 - point.along.as_mm(), point.thickness.as_mm()))
            .collect();
        let told = EarlierTold {
            line: Some("A090".into()),
            direction: Some(Direction::Down),
            start: Some(Length::mm(2000.0)),
            ..EarlierTold::default()
        };
        let survey = load(&format!("position_mm,thickness_mm\n{text}"), &told).unwrap();
        let now = super::survey(super::wall(7, 2000.0), 0.0, 2000.0, 0.0, 1);
        let found = super::align(&now, &survey.lines[0].points, &super::CompareSettings::default());
        assert_eq!((found.verdict, found.offset), (Verdict::Found, Some(Length::ZERO)));
    }
}

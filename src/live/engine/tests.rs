//! The engine, item by item, without a stream.

use super::*;
use crate::live::view::RunCommand;
use backwall_store::{Mark, MarkKind};
use backwall_stream::feed::{Feed, FeedItem};
use backwall_survey::job::Plan;
use backwall_survey::reading::{Gauge, GaugeValue, Record};
use backwall_survey::strip::Section;
use backwall_survey::travel::Odometer;

/// The demo's line A120 runs down from 2 m, with 40 counts per mm.
pub fn engine() -> Engine {
    let plan = Plan::parse("plan.toml", include_str!("../../../demo-stream/plan.toml")).unwrap();
    let path = plan.path(plan.line("A120").unwrap());
    let wall = LiveWall::new(Section::new(plan.alarm), Vec::new(), path.span());
    let (start, limits) = (path.start, plan.limits());
    let maker = ReadingMaker::new(plan.typed_setup(), Odometer::new(path).unwrap(), limits.clone(), plan.wall_temperature());
    Engine::new(maker, Arc::new(limits), plan.limits.max_gap, start, wall)
}

fn drive(engine: &mut Engine, counts: &[i32]) {
    for (seq, count) in counts.iter().enumerate() {
        let value = GaugeValue::Thickness(Some(Length::mm(9.0)));
        let gauge = Gauge { seq: seq as u32, device_time_us: Some(seq as u64 * 10_000_000), encoder: Some(*count), across: None, value };
        let item = FeedItem::Record(Record::Gauge(gauge));
        engine.take(Feed { item, host_time_us: 7 }, &mut Outcome::default());
    }
}

// Arithmetic: 40,000 counts are 1000 mm; back by 39,960 leaves 40 counts, 1 mm, of 2000 mm there and back.
#[test]
fn a_return_to_the_start_notes_how_far_the_encoder_is_off() {
    let mut engine = engine();
    drive(&mut engine, &[0, 20_000, 40_000, 40]);
    let mut out = Outcome::default();
    assert_eq!(engine.command(RunCommand::AtDatum, 9, &mut out), None);
    let [Entry::Note(note)] = &out.entries[..] else { panic!("{:?}", out.entries) };
    assert!(note.text.to_string().contains("misclosure -1.0 mm of 2000 mm there and back (-0.05 %)"), "{}", note.text);
    assert_eq!((note.along, engine.wall().notes.len()), (Some(Length::mm(1999.0)), 1));
    drive(&mut engine, &[1_000]);
    engine.command(RunCommand::AtDatum, 9, &mut out);
    assert!(matches!(&out.entries[1], Entry::Note(note) if note.text.to_string().contains("MISCLOSURE OVER 1 %")), "{:?}", out.entries[1]);
}

// Arithmetic: 40 counts a mm; the line runs down from 2000 mm. While the device is off its operator is told to say where the crawler stands: what
// is said then must not be lost to the place where it was held.
#[test]
fn a_place_that_is_set_while_the_device_is_off_is_where_its_first_shot_was_taken() {
    let off_and_on = |said: Option<Length>| {
        let mut engine = engine();
        drive(&mut engine, &[0, 20_000, 40_000]);
        engine.take(Feed { item: FeedItem::Down { why: "switched off".to_owned() }, host_time_us: 8 }, &mut Outcome::default());
        if let Some(along) = said {
            engine.command(RunCommand::SetPlace { along, across: None }, 9, &mut Outcome::default());
        }
        drive(&mut engine, &[0, 400]);
        let places: Vec<Option<Length>> = engine.reading.iter().map(|reading| reading.place.along).collect();
        (places, engine.said().map(|said| said.notice.clone()).collect::<Vec<_>>())
    };
    let (places, said) = off_and_on(None);
    assert_eq!(places, [Some(Length::mm(990.0))]);
    let held = |notice: &Notice| matches!(notice, Notice::Held(words) if words.to_string().contains("held at 1000.0 mm"));
    assert!(said.iter().any(held), "the operator is asked: {said:?}");
    let (places, said) = off_and_on(Some(Length::mm(600.0)));
    assert_eq!(places, [Some(Length::mm(590.0))]);
    let stays = |notice: &Notice| matches!(notice, Notice::Fault(words) if words.to_string().contains("set before, 600.0 mm, stays"));
    assert!(said.iter().any(stays) && !said.iter().any(|notice| matches!(notice, Notice::Held(_))), "{said:?}");
}

// Arithmetic: 4,000 counts are 100 mm. The link is down from 100 mm to 600 mm of the way, and on both sides there is no echo.
#[test]
fn what_is_driven_while_the_link_is_down_is_not_driven_over_without_an_echo() {
    let mut engine = engine();
    let mut take = |item| {
        let mut out = Outcome::default();
        engine.take(Feed { item, host_time_us: 7 }, &mut out);
        (engine.gap(), out.notices.into_iter().filter(|notice| matches!(notice, Notice::LongGap { .. })).count())
    };
    let blind = |seq: u32, count: i32| {
        let value = GaugeValue::Thickness(None);
        FeedItem::Record(Record::Gauge(Gauge {
            seq,
            device_time_us: Some(u64::from(seq) * 20_000_000),
            encoder: Some(count),
            across: None,
            value,
        }))
    };
    assert_eq!(take(blind(0, 3_900)), (Some(Length::ZERO), 0));
    assert_eq!(take(blind(1, 4_000)), (Some(Length::mm(2.5)), 0));
    assert_eq!(take(FeedItem::Down { why: "pulled".to_owned() }).0, None);
    take(FeedItem::Reconnected { attempts: 3, down_ms: 9_000 });
    assert_eq!(take(blind(2, 24_000)), (Some(Length::ZERO), 0), "500 mm on: not a stretch without an echo");
    assert_eq!(take(blind(3, 24_040)), (Some(Length::mm(1.0)), 0));
    // The line runs down from 2 m; the first count is its start.
    let between = engine.wall().strip.stretch(Length::mm(1_510.0), Length::mm(1_990.0));
    assert!(between.is_empty(), "nothing is drawn there: {between:?}");
}

#[test]
fn a_note_keeps_the_place_where_it_was_begun() {
    let mut engine = engine();
    drive(&mut engine, &[0, 4_000]);
    let begun = engine.reading.as_ref().and_then(|reading| reading.place.along);
    assert_eq!(begun, Some(Length::mm(1900.0)));
    drive(&mut engine, &[8_000]);
    let mut out = Outcome::default();
    engine.command(RunCommand::Note { text: "scale".to_owned(), begun }, 9, &mut out);
    assert!(matches!(&out.entries[..], [Entry::Note(note)] if note.along == begun), "{:?}", out.entries);
    // Begun before there was any place, it has none.
    engine.command(RunCommand::Note { text: "start".to_owned(), begun: None }, 9, &mut out);
    assert!(matches!(&out.entries[1], Entry::Note(note) if note.along.is_none()), "{:?}", out.entries);
}

#[test]
fn words_for_a_mark_keep_its_place() {
    let mut engine = engine();
    let mut out = Outcome::default();
    drive(&mut engine, &[0, 4_000]);
    engine.command(RunCommand::Mark { kind: MarkKind::Nozzle, text: String::new() }, 5, &mut out);
    drive(&mut engine, &[8_000]);
    engine.command(RunCommand::MarkText("N3".to_owned()), 9, &mut out);
    let [Entry::Mark(first), Entry::Mark(second)] = &out.entries[..] else { panic!("{:?}", out.entries) };
    assert_eq!((first.along, first.text.as_str()), (Some(Length::mm(1900.0)), ""));
    assert_eq!(*second, Mark { text: "N3".to_owned(), ..first.clone() });
    assert_eq!(engine.wall().marks, std::slice::from_ref(second));
}

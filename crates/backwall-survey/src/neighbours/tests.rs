//! Stretches of invented shots, each a list of echoes: what stands where, and how much of a beam comes back from it. Shares of a beam on an
//! edge are arithmetic: what the reflector covers is missing from the wall.

use super::*;

/// Depth and level of each echo; the first is taken.
fn shot(at: u64, echoes: &[(f64, f64)]) -> Neighbour {
    let echo = |(mm, level): &(f64, f64)| Echo { depth: Length::mm(*mm), level: *level };
    let mut sight = Sight::showing(echoes.iter().map(echo));
    sight.taken = echoes.first().map(echo);
    Neighbour {
        row: at,
        seq: at as u32,
        along: Length::mm(at as f64),
        course: Some(1),
        thickness: sight.taken.map(|echo| echo.depth),
        uncertainty: Some(Length::mm(0.02)),
        quality: if echoes.is_empty() { Quality::None } else { Quality::Good },
        flags: Flags::NONE,
        level: Level::Clear,
        sight,
    }
}

fn judged(shots: impl IntoIterator<Item = Vec<(f64, f64)>>) -> Vec<Judgement> {
    let mut neighbours = Neighbours::default();
    let mut all: Vec<Judgement> =
        shots.into_iter().enumerate().flat_map(|(at, echoes)| neighbours.push(shot(at as u64, &echoes))).collect();
    all.extend(neighbours.end());
    all
}

fn kinds(shots: impl IntoIterator<Item = Vec<(f64, f64)>>) -> Vec<(Kind, (u64, u64))> {
    judged(shots).into_iter().filter_map(|judgement| Some((judgement.stretch?.kind, judgement.rows))).collect()
}

fn sound(count: usize) -> Vec<Vec<(f64, f64)>> {
    vec![vec![(9.8, 1.0)]; count]
}

/// A reflector that covers the beam within three shots, and its repeats.
fn lamination(depth: f64, count: usize) -> Vec<Vec<(f64, f64)>> {
    let inside = |share: f64| {
        let mut echoes = vec![(depth, 0.8 * share), (2.0 * depth, 0.6 * share), (9.8, 1.0 - share)];
        echoes.retain(|(mm, level)| *level > 0.05 && *mm < 12.0);
        echoes.sort_by(|a, b| a.0.total_cmp(&b.0));
        echoes
    };
    let edge = [0.3, 0.6, 0.9].map(inside);
    let back = [0.9, 0.6, 0.3].map(inside);
    edge.into_iter().chain(vec![inside(1.0); count]).chain(back).collect()
}

#[test]
fn a_reflector_with_sharp_edges_before_an_unchanged_wall_is_a_lamination() {
    for depth in [3.4, 4.9, 6.4] {
        let found = kinds(sound(20).into_iter().chain(lamination(depth, 12)).chain(sound(20)));
        assert!(matches!(found[..], [(Kind::Lamination, (20..=22, 34..=38))]), "{depth}: {found:?}");
    }
}

// A reflector at a third of the wall has its third echo where the wall's was; at 3.0 in 9.8 mm it stands 0.8 mm before it, at 3.5 mm 0.7 behind.
#[test]
fn a_reflector_whose_third_echo_stands_where_the_wall_was_is_a_lamination_and_grain_at_a_third_is_none() {
    for depth in [3.0, 9.8 / 3.0, 3.4, 3.5] {
        let inside = |share: f64| {
            let mut echoes: Vec<(f64, f64)> =
                [0.75, 0.9, 0.9].iter().zip(1..).map(|(level, n)| (depth * f64::from(n), level * share)).collect();
            match echoes.iter_mut().find(|(mm, _)| (*mm - 9.8).abs() < 0.3) {
                Some(repeat) => repeat.1 += 1.0 - share,
                None => echoes.push((9.8, 1.0 - share)),
            }
            echoes.retain(|(_, level)| *level > 0.05);
            echoes.sort_by(|a, b| a.0.total_cmp(&b.0));
            echoes
        };
        let edge = || [0.3, 0.6, 0.9].map(inside).into_iter();
        let line = sound(20).into_iter().chain(edge()).chain(vec![inside(1.0); 20]).chain(edge().rev()).chain(sound(20));
        let found = kinds(line);
        assert!(matches!(found[..], [(Kind::Lamination, (20..=22, 42..=46))]), "{depth}: {found:?}");
    }
    let grain = vec![vec![(3.27, 0.5), (9.8, 0.97)]; 4];
    assert_eq!(kinds(sound(20).into_iter().chain(grain).chain(sound(20))), []);
}

#[test]
fn its_readings_carry_a_flag_and_none_beside_it_does() {
    let all = judged(sound(20).into_iter().chain(lamination(4.9, 12)).chain(sound(20)));
    let inner: Vec<_> = all.iter().filter(|judgement| judgement.flags.has(Flag::InnerReflector)).map(|judgement| judgement.rows).collect();
    assert_eq!(inner.len(), 1);
    assert!(inner[0].0 >= 20 && inner[0].1 <= 38);
}

#[test]
fn a_wall_that_slides_down_and_back_is_none_and_dims_on_its_slopes() {
    let slope = |from: f64, to: f64| (0..30).map(move |k| vec![(from + (to - from) * f64::from(k) / 30.0, 0.25)]);
    let line = sound(20).into_iter().chain(slope(9.8, 5.0)).chain(vec![vec![(5.0, 1.05)]; 20]).chain(slope(5.0, 9.8)).chain(sound(20));
    assert_eq!(kinds(line), []);
}

#[test]
fn steep_slopes_that_return_nothing_are_thinning_all_the_same() {
    let line = sound(20).into_iter().chain(vec![Vec::new(); 10]).chain(vec![vec![(5.0, 1.05)]; 40]).chain(vec![Vec::new(); 10]);
    let found = kinds(line.chain(sound(20)));
    assert!(matches!(found[..], [(Kind::Thinning, _)]), "{found:?}");
}

#[test]
fn narrow_and_dark_is_a_pit() {
    let pit = [vec![(9.8, 0.4)], vec![(9.8, 0.2)], vec![(6.0, 0.15)], vec![(5.5, 0.18)], vec![(5.6, 0.15)], vec![(9.8, 0.3)]];
    let found = kinds(sound(20).into_iter().chain(pit).chain(sound(20)));
    assert!(matches!(found[..], [(Kind::Pit, _)]), "{found:?}");
}

#[test]
fn grain_before_a_wall_that_is_all_there_is_doubted_and_makes_no_stretch() {
    let grain = vec![vec![(2.2, 0.5), (9.8, 0.97)]; 4];
    let all = judged(sound(20).into_iter().chain(grain).chain(sound(20)));
    let alone: Vec<_> = all.iter().filter(|judgement| judgement.flags.has(Flag::Alone)).map(|judgement| judgement.rows.0).collect();
    assert_eq!(alone, [20, 21, 22, 23]);
    assert!(all.iter().all(|judgement| judgement.stretch.is_none()), "{all:?}");
}

/// Shots a quarter of a millimetre apart see the same grain some times over; the wall stands whole behind it, also near its half depth.
#[test]
fn grain_seen_by_shots_that_lie_close_is_no_reflector_and_a_lamination_still_is_one() {
    let close = |shots: Vec<Vec<(f64, f64)>>| {
        let mut neighbours = Neighbours::default();
        let place = |at: usize, echoes: &[(f64, f64)]| Neighbour { along: Length::mm(0.25 * at as f64), ..shot(at as u64, echoes) };
        let mut all: Vec<Judgement> = shots.iter().enumerate().flat_map(|(at, echoes)| neighbours.push(place(at, echoes))).collect();
        all.extend(neighbours.end());
        all.into_iter().filter_map(|judgement| Some(judgement.stretch?.kind)).collect::<Vec<_>>()
    };
    let grain = vec![vec![(4.8, 0.15), (9.8, 1.0)]; 4];
    assert_eq!(close(sound(40).into_iter().chain(grain).chain(sound(40)).collect()), []);
    let found = close(sound(40).into_iter().chain(lamination(4.9, 40)).chain(sound(40)).collect());
    assert_eq!(found, [Kind::Lamination]);
}

#[test]
fn a_seam_between_courses_is_no_edge() {
    let mut neighbours = Neighbours::default();
    let mut all = Vec::new();
    for at in 0..60 {
        let upper = at >= 30;
        let next = Neighbour { course: Some(if upper { 2 } else { 1 }), ..shot(at, &[(if upper { 8.0 } else { 9.8 }, 1.0)]) };
        all.extend(neighbours.push(next));
    }
    all.extend(neighbours.end());
    assert_eq!(all, []);
}

#[test]
fn lost_contact_says_nothing_of_the_wall() {
    let mut neighbours = Neighbours::default();
    let mut all = Vec::new();
    for at in 0..60 {
        let mut next = shot(at, if (20..40).contains(&at) { &[] } else { &[(9.8, 1.0)] });
        if (20..40).contains(&at) {
            next.flags = Flags::of(Flag::NoCoupling);
        }
        all.extend(neighbours.push(next));
    }
    assert_eq!(all, []);
}

#[test]
fn driven_the_other_way_the_same_is_found() {
    let line: Vec<_> = sound(20).into_iter().chain(lamination(6.4, 12)).chain(sound(20)).collect();
    let mut neighbours = Neighbours::default();
    let last = line.len() as u64;
    let mut all = Vec::new();
    for (at, echoes) in line.iter().enumerate() {
        let next = Neighbour { along: Length::mm((last - at as u64) as f64), ..shot(at as u64, echoes) };
        all.extend(neighbours.push(next));
    }
    let kinds: Vec<_> = all.iter().filter_map(|judgement| judgement.stretch).map(|stretch| stretch.kind).collect();
    assert_eq!(kinds, [Kind::Lamination]);
}

/// Rows flagged as standing alone, of shots `apart` mm from each other.
fn alone(apart: f64, shots: impl IntoIterator<Item = Vec<(f64, f64)>>) -> Vec<u64> {
    let mut neighbours = Neighbours::default();
    let placed = |(at, echoes): (usize, Vec<(f64, f64)>)| {
        let flags = if echoes.is_empty() { Flags::of(Flag::NoCoupling) } else { Flags::NONE };
        Neighbour { along: Length::mm(at as f64 * apart), flags, ..shot(at as u64, &echoes) }
    };
    let mut all: Vec<Judgement> = shots.into_iter().enumerate().flat_map(|shot| neighbours.push(placed(shot))).collect();
    all.extend(neighbours.end());
    all.into_iter().filter(|judgement| judgement.flags.has(Flag::Alone)).map(|judgement| judgement.rows.0).collect()
}

// A beam some millimetres wide cannot come onto a reflector and leave it within 1.9 mm.
#[test]
fn what_is_dim_and_narrower_than_a_beam_stands_alone_and_what_is_wider_does_not() {
    const NONE: [u64; 0] = [];
    let dark = |count: usize| vec![vec![(9.8, 0.2)]; count];
    let seen = |count: usize| vec![vec![(3.4, 0.15), (9.8, 0.2)]; count];
    let line = |count: usize| sound(20).into_iter().chain(dark(20)).chain(seen(count)).chain(dark(20));
    assert_eq!(alone(0.25, line(5)), [40, 41, 42, 43, 44]);
    assert_eq!(alone(0.25, line(12)), NONE);
    // Shots too far apart to show how wide it is.
    assert_eq!(alone(2.5, line(1)), NONE);
    // Without coupling on one side nothing is known of that side.
    assert_eq!(alone(0.25, sound(20).into_iter().chain(dark(20)).chain(seen(5)).chain(vec![Vec::new(); 20])), NONE);
    // Coupling that is lost before and behind less than a beam's width was not lost: the slope returns nothing there.
    let nothing = || vec![Vec::new(); 6];
    let island = sound(20).into_iter().chain(dark(10)).chain(nothing()).chain(seen(4)).chain(nothing()).chain(dark(10));
    assert_eq!(alone(0.25, island), [36, 37, 38, 39]);
}

/// A plate whose grain shows at `depth` before its whole wall, over 2.5 mm each at places 12.5 mm apart, then a slope that returns a
/// fifth; shots lie 0.25 mm apart.
fn grainy(places: usize, depth: f64, level: f64) -> Vec<Vec<(f64, f64)>> {
    let grain = vec![vec![(9.8, 1.0), (depth, level)]; 10];
    let plate = (0..places).flat_map(|_| sound(40).into_iter().chain(grain.clone()));
    sound(40).into_iter().chain(plate).chain(sound(40)).chain(vec![vec![(9.8, 0.2)]; 20]).collect()
}

fn behind_it(places: usize, seen: (f64, f64), count: usize) -> (u64, Vec<u64>) {
    let plate = grainy(places, 3.0, 0.35);
    let from = plate.len() as u64;
    let read = vec![vec![seen, (9.8, 0.2)]; count];
    (from, alone(0.25, plate.into_iter().chain(read).chain(vec![vec![(9.8, 0.2)]; 40])))
}

// What a whole wall shows all along took nothing from it: no reflector. Clutter measured about a place sets what counts there: the
// constant-false-alarm-rate idea (Finn and Johnson, RCA Review 29, 1968).
#[test]
fn what_is_as_high_and_as_wide_as_the_grain_of_the_plate_stands_alone() {
    let (from, found) = behind_it(5, (3.3, 0.36), 10);
    assert_eq!(found, (from..from + 10).collect::<Vec<_>>());
}

#[test]
fn what_is_wider_or_higher_or_deeper_than_the_grain_of_the_plate_is_read() {
    const NONE: [u64; 0] = [];
    let found = |places, seen, count| behind_it(places, seen, count).1;
    assert_eq!(found(5, (3.3, 0.36), 15), NONE, "as wide as a beam");
    assert_eq!(found(5, (3.3, 0.5), 10), NONE, "higher");
    assert_eq!(found(5, (5.0, 0.36), 10), NONE, "where the plate shows no grain");
    assert_eq!(found(2, (3.3, 0.36), 10), NONE, "two places are no plate");
}

/// Both a reading that no neighbour shares and one that is narrow: said once.
#[test]
fn a_reading_is_said_to_stand_alone_once() {
    let mut neighbours = Neighbours::default();
    let poor =
        |at: u64, echoes: &[(f64, f64)]| Neighbour { along: Length::mm(0.25 * at as f64), quality: Quality::Poor, ..shot(at, echoes) };
    let line = (0..120).map(|at| if at == 60 { poor(at, &[(3.4, 0.15), (9.8, 0.2)]) } else { poor(at, &[(9.8, 0.2)]) });
    let mut all: Vec<Judgement> = line.flat_map(|shot| neighbours.push(shot)).collect();
    all.extend(neighbours.end());
    let alone: Vec<_> = all.iter().filter(|judgement| judgement.flags.has(Flag::Alone)).map(|judgement| judgement.rows).collect();
    assert_eq!(alone, [(60, 60)]);
}

/// Rows that say their U does not reach the wall beside them, of shots `apart` mm from each other.
fn near_uneven(apart: f64, shots: impl IntoIterator<Item = Vec<(f64, f64)>>) -> Vec<u64> {
    let mut neighbours = Neighbours::default();
    let placed = |(at, echoes): (usize, Vec<(f64, f64)>)| Neighbour { along: Length::mm(at as f64 * apart), ..shot(at as u64, &echoes) };
    let mut all: Vec<Judgement> = shots.into_iter().enumerate().flat_map(|shot| neighbours.push(placed(shot))).collect();
    all.extend(neighbours.end());
    let mut rows: Vec<u64> =
        all.into_iter().filter(|judgement| judgement.flags.has(Flag::NearUneven)).map(|judgement| judgement.rows.0).collect();
    rows.sort_unstable();
    rows
}

// A beam whose centre is a millimetre beside a pit returns nearly all of itself from the plate; the least wall within 1.5 mm is the pit's.
#[test]
fn a_whole_echo_within_the_footprint_of_a_pit_says_so_and_one_beside_a_lamination_does_not() {
    let flank = || vec![vec![(9.8, 0.8)], vec![(9.8, 0.6)], vec![(9.8, 0.4)]];
    let pit = || flank().into_iter().chain(vec![vec![(5.6, 0.15)]; 12]).chain(flank().into_iter().rev());
    let line = |apart: f64| near_uneven(apart, sound(40).into_iter().chain(pit()).chain(sound(40)));
    // Shots 40 to 57 are the pit with its flanks; within 1.5 mm of it lie six shots a quarter of a millimetre apart, or one of a millimetre.
    let rows = line(0.25);
    assert!((34..40).all(|row| rows.contains(&row)) && (58..64).all(|row| rows.contains(&row)), "{rows:?}");
    assert!(rows.iter().all(|row| (34..64).contains(row)), "{rows:?}");
    assert!(line(1.0).iter().all(|row| (39..59).contains(row)) && line(1.0).contains(&39), "{:?}", line(1.0));
    assert_eq!(near_uneven(0.25, sound(40).into_iter().chain(lamination(4.9, 40)).chain(sound(40))), [0; 0]);
    assert_eq!(near_uneven(0.25, sound(200)), [0; 0]);
    // What returns a little less from place to place, as coupling makes it, is no flank.
    let uneasy = (0..400).map(|at| vec![(9.8, [1.0, 0.83, 1.02, 0.97, 1.1, 0.84, 0.99][at % 7])]);
    assert_eq!(near_uneven(0.05, uneasy.clone()), [0; 0]);
    let rows = near_uneven(0.05, uneasy.clone().chain(pit()).chain(uneasy));
    assert!(rows.iter().all(|row| (355..460).contains(row)), "{rows:?}");
}

// Worked: on a slope the wall 1.5 mm away is lower by 1.5 times its gradient, 0.06 mm at 0.04 and 0.03 at 0.02; U is 0.04 mm.
#[test]
fn a_reading_on_a_slope_says_that_its_u_does_not_reach_the_wall_beside_it() {
    for apart in [0.25, 1.0, 2.5] {
        let steps = (30.0 / apart) as usize;
        let flat = |depth: f64| vec![vec![(depth, 1.0)]; steps];
        let wall = |gradient: f64| {
            let slope = (1..=steps).map(move |k| vec![(9.8 - gradient * apart * k as f64, 1.0)]);
            flat(9.8).into_iter().chain(slope).chain(flat(9.8 - gradient * apart * steps as f64))
        };
        assert_eq!(near_uneven(apart, wall(0.02)), [0; 0], "{apart}");
        let rows = near_uneven(apart, wall(0.04));
        // All of the slope but its lowest millimetres, and no more above it than the shots that see it.
        let (from, to) = (steps as u64, 2 * steps as u64);
        let sees = (3.0 / apart).ceil() as u64;
        assert!((from..to - sees).all(|row| rows.contains(&row)), "{apart}: {rows:?}");
        assert!(rows.iter().all(|row| (from - sees..to).contains(row)), "{apart}: {rows:?}");
    }
    // Readings that scatter by half of U are no slope.
    let even = (0..400).map(|at| vec![(9.8 + [0.01, -0.01, 0.004, -0.008, 0.01, 0.0, -0.01][at % 7], 1.0)]);
    assert_eq!(near_uneven(0.25, even), [0; 0]);
    // At the ends of a line two readings are 0.03 mm apart, and their scatter drawn out to 1.5 mm would be 50 times as much.
    let dense = (0..400).map(|at| vec![(9.8 + [0.01, -0.01, 0.004, -0.008, 0.01, 0.0, -0.01][at % 7], 1.0)]);
    assert_eq!(near_uneven(0.03, dense), [0; 0]);
}

//! The virtual crawler's waveforms against closed formulas, and its stream's own rules.

use backwall_simulate::{Crawler, CrawlerError, StreamEnd, VirtualWall};
use backwall_units::{Decibel, Length};

/// A wall without noise, on a fine converter.
const QUIET: &str = "name = \"test\"
[receiver]
bits = 16
rate_mhz = 100
samples = 1024
[noise]
snr_db = 200
grain_db = -200
coupling_db = 0
[device]
shot_rate_hz = 100
";

const LINE: &str = "[[line]]
name = \"L\"
direction = \"up\"
wall_mm = 10
[[line.leg]]
forward_mm = 100
speed_mm_s = 50
";

fn wall(text: &str) -> VirtualWall {
    VirtualWall::parse("test.toml", text).unwrap_or_else(|error| panic!("{error}"))
}

fn flat(wall: &VirtualWall, thickness: f64, paint: f64) -> Vec<f64> {
    let mut crawler = Crawler::on_block(wall, Length::mm(10.0), StreamEnd::Never).unwrap();
    let samples = crawler.waveform(Length::mm(thickness), Length::mm(paint), Decibel::ZERO);
    samples.into_iter().map(f64::from).collect()
}

/// Bodies of all frames of a stream; undoes the byte stuffing by its own rule (S. Cheshire and M. Baker, "Consistent
/// overhead byte stuffing", IEEE/ACM Trans. Networking 7(2), 1999).
fn bodies(stream: &[u8]) -> Vec<Vec<u8>> {
    let frames = stream.split(|byte| *byte == 0).filter(|frame| !frame.is_empty());
    let mut bodies = Vec::new();
    for frame in frames {
        let (mut body, mut at) = (Vec::new(), 0);
        while at < frame.len() {
            let code = usize::from(frame[at]);
            body.extend_from_slice(&frame[at + 1..at + code]);
            at += code;
            if code < 255 && at < frame.len() {
                body.push(0);
            }
        }
        let (rest, sum) = body.split_at(body.len() - 4);
        let want = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(rest);
        assert_eq!(sum, want.to_le_bytes(), "checksum of a frame");
        bodies.push(rest.to_vec());
    }
    bodies
}

fn stream(wall: &VirtualWall, line: &str, end: StreamEnd) -> Vec<u8> {
    let mut crawler = Crawler::on_line(wall, line, end).unwrap();
    let mut out = Vec::new();
    let mut last = None;
    while let Some(time) = crawler.next_frame(&mut out) {
        assert!(last <= Some(time), "the device's clock runs forward");
        last = Some(time);
    }
    out
}

fn number<const N: usize>(body: &[u8], at: usize) -> [u8; N] {
    body[at..at + N].try_into().unwrap()
}

/// Sequence number, encoder counts and samples of the shots of a stream.
fn shots(stream: &[u8]) -> Vec<(u32, i32, Vec<i16>)> {
    bodies(stream)
        .iter()
        .filter(|body| body[0] == 2)
        .map(|body| {
            let samples = body[19..].chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]])).collect();
            (u32::from_le_bytes(number(body, 1)), i32::from_le_bytes(number(body, 13)), samples)
        })
        .collect()
}

/// The envelope's maximum about a time, from the signal and its quadrature partner at 5 MHz (a quarter period is five
/// samples at 100 MS/s), by a parabola through the logarithm of the envelope, which is exact for a Gaussian.
fn envelope_top(samples: &[f64], about_us: f64) -> f64 {
    let middle = ((about_us - 4.5) * 100.0).round() as usize;
    let mixed = |at: usize| -> f64 {
        let (mut re, mut im) = (0.0, 0.0);
        for k in -20i32..=20 {
            let t = f64::from(k) / 100.0;
            let weight = (-t * t / (2.0 * 0.05 * 0.05)).exp();
            let value = samples[(at as i32 + k) as usize];
            re += weight * value * (2.0 * std::f64::consts::PI * 5.0 * t).cos();
            im += weight * value * (2.0 * std::f64::consts::PI * 5.0 * t).sin();
        }
        (re * re + im * im).sqrt()
    };
    let top = (middle - 15..=middle + 15).max_by(|a, b| mixed(*a).total_cmp(&mixed(*b))).unwrap();
    let (a, b, c) = (mixed(top - 1).ln(), mixed(top).ln(), mixed(top + 1).ln());
    4.5 + (top as f64 + 0.5 * (a - c) / (a - 2.0 * b + c)) / 100.0
}

// Mirror-image path, t = zero + 2·sqrt(d² + h²)/c (Krautkrämer, Ultrasonic Testing of Materials, 4th ed., Springer 1990);
// zero = 270 ns + 2·4 mm / 1560 m/s.
#[test]
fn the_first_echo_arrives_when_the_v_path_says() {
    let quiet = wall(QUIET);
    for step in 0..12 {
        let thickness = 9.0 + 0.0137 * f64::from(step);
        let want = 0.27 + 8.0 / 1.56 + 2.0 * (thickness * thickness + 2.9f64 * 2.9).sqrt() / 5.92;
        let got = envelope_top(&flat(&quiet, thickness, 0.0), want);
        assert!((got - want).abs() < 1e-4, "{thickness} mm: {got} µs, want {want} µs");
    }
}

// Samples (index, code) computed with numpy's inverse FFT from the spectrum of the same closed formulas: mirror-image
// path, Snell's law for the mode-converted echo, three-layer plane-wave paint (Brekhovskikh, Waves in Layered Media).
#[test]
fn waveforms_agree_with_the_frequency_domain_sum() {
    let quiet = wall(QUIET);
    type Samples<'a> = &'a [(usize, f64)];
    let cases: [(f64, f64, Samples); 3] = [
        (
            7.3,
            0.0,
            &[(79, -271.5), (340, 141.4), (355, 19044.5), (379, 1362.7), (462, -2184.4), (565, -787.6), (581, -7439.7), (839, 4201.2)],
        ),
        (
            7.3,
            0.4,
            &[(389, 32444.6), (428, 5536.4), (432, 15203.4), (495, -2199.6), (670, 7402.2), (684, -2803.0), (735, 748.8), (870, 9642.7)],
        ),
        (
            3.1,
            0.0,
            &[(212, 2203.6), (286, -1246.2), (300, 4283.9), (321, 17089.2), (449, -949.7), (641, 2780.9), (735, -5122.2), (838, -3514.6)],
        ),
    ];
    for (thickness, paint, expected) in cases {
        let got = flat(&quiet, thickness, paint);
        for (index, want) in expected {
            assert!((got[*index] - want).abs() < 5.0, "{thickness} mm, paint {paint}, sample {index}: {}, want {want}", got[*index]);
        }
    }
}

#[test]
fn a_pit_beside_the_axis_sends_its_own_weaker_and_earlier_echo() {
    let pit = format!("{QUIET}{LINE}[[line.pit]]\nat_mm = 50\noffset_mm = 2.0\nradius_mm = 2.5\ndepth_mm = 2.5\n");
    let strength = |samples: &[i16], from_us: f64, to_us: f64| {
        let (from, to) = (((from_us - 4.5) * 100.0) as usize, ((to_us - 4.5) * 100.0) as usize);
        samples[from..to].iter().map(|x| x.unsigned_abs()).max().unwrap()
    };
    let shots = shots(&stream(&wall(&pit), "L", StreamEnd::Drive));
    let over = &shots.iter().min_by_key(|shot| (shot.1 - 50 * 40).abs()).unwrap().2;
    let sound = &shots[0].2;
    // Behind the tyre's own echo and ahead of the wall's pulse at 8.917 µs: only a pit can answer there.
    let (early, silence) = (strength(over, 7.4, 8.3), strength(sound, 7.4, 8.3));
    assert!(early > 100 && early > 20 * silence.max(1), "pit {early}, none {silence}");
    let (through, whole) = (strength(over, 8.8, 9.1), strength(sound, 8.8, 9.1));
    assert!(through < whole && through > whole / 3, "the wall beside the pit still answers: {through} of {whole}");
    assert!(early < through);
}

#[test]
fn without_contact_only_the_tyre_rings() {
    let text = format!("{QUIET}{LINE}[[line.loss]]\nfrom_mm = 40\nto_mm = 60\n");
    let shots = shots(&stream(&wall(&text), "L", StreamEnd::Drive));
    let at = |mm: i32| &shots.iter().min_by_key(|shot| (shot.1 - mm * 40).abs()).unwrap().2;
    let height = |samples: &[i16], us: f64| {
        let middle = ((us - 4.5) * 100.0) as usize;
        f64::from(samples[middle - 12..middle + 12].iter().map(|x| x.unsigned_abs()).max().unwrap())
    };
    // First echo of 10 mm at 8.917 µs; the tyre's second trip at 0.27 + 2 · 8/1.56 = 10.526 µs.
    assert!(height(at(50), 8.917) < height(at(20), 8.917) / 300.0);
    assert!(height(at(50), 10.526) > 10.0 * height(at(50), 8.917));
}

#[test]
fn the_stream_keeps_its_rules_and_repeats_bit_for_bit() {
    let text = format!("{QUIET}{LINE}[[line.lost]]\nafter_shot = 30\nshots = 5\n");
    let noisy = text.replace("snr_db = 200", "snr_db = 40").replace("grain_db = -200", "grain_db = -40");
    let first = stream(&wall(&noisy), "L", StreamEnd::Drive);
    assert!(first == stream(&wall(&noisy), "L", StreamEnd::Drive), "the same wall gives the same bytes");
    assert!(first != stream(&wall(&noisy.replace("name = \"test\"", "name = \"test\"\nseed = 2")), "L", StreamEnd::Drive));

    let frames = bodies(&first);
    assert_eq!(frames[0][..2], [1, 1], "a header comes first");
    assert_eq!(u32::from_le_bytes(number(&frames[0], 2)), 100_000_000);
    assert_eq!(i32::from_le_bytes(number(&frames[0], 6)), 4500);
    assert_eq!(u16::from_le_bytes(number(&frames[0], 10)), 1024);
    assert_eq!(frames[0][12], 16);
    assert_eq!(frames[1][0], 3, "then a status");

    let shots = shots(&first);
    assert_eq!(shots.len(), 195, "two seconds at 100 a second, less five lost ones");
    let numbers: Vec<u32> = shots.iter().map(|shot| shot.0).collect();
    assert_eq!((numbers[29], numbers[30]), (29, 35));
    assert_eq!((shots[0].1, shots[194].1), (0, 3980), "0.5 mm a shot at 40 counts/mm");
    assert!(shots.iter().all(|shot| shot.2.len() == 1024));
}

#[test]
fn a_stream_longer_than_its_drive_goes_back_and_forth() {
    let shots = shots(&stream(&wall(&format!("{QUIET}{LINE}")), "L", StreamEnd::Shots(500)));
    assert_eq!(shots.len(), 500);
    assert_eq!((shots[200].1, shots[300].1, shots[400].1), (4000, 2000, 0));
}

#[test]
fn mistakes_in_a_wall_are_named_with_file_line_and_key() {
    let refused = |text: &str| VirtualWall::parse("w.toml", text).unwrap_err().to_string();
    let line_of = |text: &str, needle: &str| text.lines().position(|line| line.contains(needle)).unwrap() + 1;
    let text = format!("{QUIET}{LINE}").replace("forward_mm", "forwards_mm");
    let error = refused(&text);
    assert!(error.starts_with(&format!("w.toml:{}: ", line_of(&text, "forwards_mm"))), "{error}");
    let text = format!("{QUIET}{LINE}[[line.pit]]\nat_mm = 3\nradius_mm = 2\ndepth_mm = 4\n");
    let error = refused(&text);
    assert!(error.starts_with(&format!("w.toml:{}: line[0].pit[0].depth_mm: ", line_of(&text, "depth_mm = 4"))), "{error}");
    let error = refused(&format!("{QUIET}{LINE}").replace("speed_mm_s = 50\n", ""));
    assert!(error.contains("line[0].leg[0]") && error.contains("speed_mm_s"), "{error}");
    let error = Crawler::on_line(&wall(&format!("{QUIET}{LINE}")), "M", StreamEnd::Drive).err().unwrap();
    assert!(matches!(&error, CrawlerError::NoSuchLine { known, .. } if known == "L"), "{error}");
}

//! Published and worked figures the evaluation must agree with; each names its source.

use backwall_ultrasound::evaluate::{measure_thickness, measure_time};
use backwall_ultrasound::materials::{MATERIALS, hot_wall, named, nearest};
use backwall_ultrasound::{Budget, Flag, Gate, Mode, Picker, Quality, Setup};
use backwall_units::{Frequency, Length, Temperature, Time, Velocity};

const C: f64 = 5.92;
const S: f64 = 2.5;

fn setup(half_mm: f64, zero_us: f64) -> Setup {
    Setup {
        velocity: Velocity::m_s(5920.0),
        zero: Time::us(zero_us),
        half_separation: Length::mm(half_mm),
        frequency: Frequency::mhz(5.0),
        minimum: Length::mm(1.0),
        gate: Gate { start: Time::us(1.0), length: Time::us(20.0), threshold_pct: 20.0 },
        picker: Picker::Matched,
        mode: Mode::FirstEcho,
        zero_keeping: Default::default(),
        block_temperature: Temperature::celsius(20.0),
        velocity_slope_m_s_k: -0.8,
        calibration: None,
        channel: None,
    }
}

fn wall(setup: &Setup, us: f64, celsius: f64) -> f64 {
    measure_time(setup, Some(Time::us(us)), Temperature::celsius(celsius)).thickness.unwrap().as_mm()
}

fn close(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} ± {tolerance}");
}

fn leg(d: f64) -> f64 {
    d.hypot(S)
}

// Rule of thumb, 1 % for 55 °C: ASTM E797, high-temperature clause (value from memory); 1 % per 100 °F is common practice.
#[test]
fn a_hot_wall_reads_too_thick_by_the_rule_of_thumb() {
    let celsius = Temperature::celsius;
    close(hot_wall(Length::mm(10.0), celsius(75.0), celsius(20.0)).as_mm(), 9.9, 1e-9);
    close(hot_wall(Length::mm(10.0), celsius(93.0), celsius(20.0)).as_mm(), 9.867_27, 1e-5);
    close(hot_wall(Length::mm(100.0), celsius(460.0), celsius(20.0)).as_mm(), 92.0, 1e-9);
}

// -0.8 m/s per kelvin, 1018 steel, 0 to 50 °C: Do Trung Kien et al., Communications in Physics.
#[test]
fn a_measured_coefficient_corrects_the_velocity() {
    let time = 2.0 * 10.0 / C;
    close(wall(&setup(0.0, 0.0), time, 70.0), 9.932_432, 1e-6);
    close(setup(0.0, 0.0).velocity_at(Temperature::celsius(70.0)).as_m_s(), 5880.0, 1e-9);
}

// Dual-element path, one-way leg sqrt(d^2 + s^2): textbook geometry (Krautkraemer and Krautkraemer 1990); worked.
#[test]
fn the_slanted_path_of_two_elements_is_undone() {
    close(leg(5.0), 5.590_170, 1e-6);
    close(wall(&setup(S, 0.0), 1.888_571, 20.0), 5.0, 1e-4);
    for (d, us) in [(2.0, 1.08161), (3.0, 1.31930), (10.0, 3.48235), (25.0, 8.48807), (50.0, 16.91299)] {
        close(wall(&setup(S, 0.0), us, 20.0), d, 5e-4);
    }
    // The second back wall taken for the first reads exactly double.
    close(wall(&setup(S, 0.0), 2.0 * leg(10.0) / C, 20.0), 10.0, 1e-5);
}

// What a straight line through two blocks makes of a dual-element probe: worked from the same geometry.
#[test]
fn a_straight_two_block_calibration_over_states_thin_wall() {
    let slope = 20.0 / (leg(25.0) - leg(5.0));
    let read = |d: f64| 5.0 + slope * (leg(d) - leg(5.0));
    close(read(2.0), 2.554_47, 5e-4);
    let worst = (0..=2000).map(|k| 5.0 + f64::from(k) * 0.01).min_by(|a, b| (read(*a) - a).total_cmp(&(read(*b) - b))).unwrap();
    close(worst, 11.38, 0.02);
    close(read(worst) - worst, -0.174_37, 1e-3);
    // The same two blocks through this program's straight path with the line's velocity and zero agree with the formula.
    let line =
        Setup { velocity: Velocity::m_s(5920.0 * slope), zero: Time::us(2.0 * (leg(5.0) / C - 5.0 / (C * slope))), ..setup(0.0, 0.0) };
    close(wall(&line, 2.0 * leg(2.0) / C, 20.0), 2.554_47, 5e-4);
}

// Two-block solution V = 2 (d2 - d1)/(t2 - t1), z = t1 - 2 d1/V (ISO 16809 method); worked.
#[test]
fn velocity_and_zero_follow_from_two_blocks() {
    let (t1, t2) = (2.489_189_2, 9.245_945_9);
    let velocity = 2.0 * 20.0 / (t2 - t1);
    close(velocity, C, 1e-6);
    close(t1 - 2.0 * 5.0 / velocity, 0.8, 1e-6);
    close(wall(&setup(0.0, 0.8), t2, 20.0), 25.0, 1e-5);
}

// Comparative velocity v_x = A_k n_x t_x v_k / (A_x n_k t_k): ASTM E494 (equation from memory); worked.
#[test]
fn a_velocity_found_by_comparison_belongs_to_a_material() {
    let velocity = 33.783_784 * 5.0 * 20.0 * 5920.0 / (35.0 * 4.0 * 25.0);
    close(velocity, 5714.286, 0.01);
    assert_eq!(nearest(Velocity::m_s(velocity)).unwrap().name, "nickel-chromium alloy");
    assert_eq!(nearest(Velocity::m_s(5920.0)).unwrap().name, "carbon steel");
    assert_eq!(nearest(Velocity::m_s(8000.0)), None);
}

// 0.30 mm of paint at 2300 m/s read as steel: over-read = coat * V_steel / V_coat; worked.
#[test]
fn paint_over_reads_in_the_first_echo() {
    let bare = 2.0 * 8.0 / C;
    let painted = bare + 2.0 * 0.3 / 2.3;
    close(wall(&setup(0.0, 0.0), painted, 20.0) - wall(&setup(0.0, 0.0), bare, 20.0), 0.772_174, 1e-6);
}

// Budget of JCGM 100:2008 (GUM), equation 10 and 4.3.7; worked for 10.00 mm.
#[test]
fn an_uncertainty_budget_adds_up_as_the_gum_says() {
    let rect = |half: f64| half / 3f64.sqrt();
    let parts = [10.0 * rect(0.005), 10.0 * rect(8.0) / 5920.0, 2.96 * 0.005, 2.96 * 0.003, 0.01, rect(0.005), rect(0.05)];
    let u = parts.iter().map(|p| p * p).sum::<f64>().sqrt();
    close(u, 0.046_193, 1e-5);
    close(2.0 * u, 0.092_385, 1e-5);
    close(2.0 * 2f64.sqrt() * u, 0.130_653, 1e-5);
    // The typed budget takes velocity and coupling as that one does.
    close(10.0 * Budget::typed().velocity_relative, parts[0], 1e-9);
    close(Budget::typed().coupling.as_mm(), parts[6], 1e-9);
}

// Cramér-Rao bound of a Gaussian pulse (Kay 1993), 5 MHz, 60 %, 100 MS/s; closed form against the sum over samples.
#[test]
fn the_bound_of_a_gaussian_pulse_has_its_closed_form() {
    let sigma_f = 0.6 * 5e6 / 2.354_820_045;
    let sigma_t = 1.0 / (2.0 * std::f64::consts::PI * sigma_f);
    let energy = 100e6 * std::f64::consts::PI.sqrt() * sigma_t / 2.0;
    let rms = (25e12 + sigma_f * sigma_f / 2.0).sqrt();
    let bound = |db: f64| 1e9 / (2.0 * std::f64::consts::PI * rms * 10f64.powf(db / 20.0) * energy.sqrt());
    close(bound(20.0), 0.941_483, 1e-5);
    close(bound(40.0), 0.094_148_3, 1e-6);
    close(bound(40.0) * 2.96, 0.278_68, 1e-4);
    let slope = |t: f64| {
        let pulse = |t: f64| (-t * t / (2.0 * sigma_t * sigma_t)).exp() * (2.0 * std::f64::consts::PI * 5e6 * t).cos();
        (pulse(t + 1e-11) - pulse(t - 1e-11)) / 2e-11
    };
    let summed: f64 = (-200..=200).map(|k| slope(f64::from(k) * 1e-8).powi(2)).sum();
    close(0.1 / summed.sqrt() * 1e9, 0.941_483, 2e-4);
    // One cycle at 5 MHz, there and back.
    close(wall(&setup(0.0, 0.0), 3.2, 20.0) - wall(&setup(0.0, 0.0), 3.0, 20.0), 0.592, 1e-9);
}

#[test]
fn device_values_are_taken_or_refused_honestly() {
    let setup = setup(0.0, 0.8);
    let room = Temperature::celsius(20.0);
    assert!(measure_time(&setup, None, room).flags.has(Flag::DeviceNoEcho));
    assert!(measure_time(&setup, Some(Time::us(0.5)), room).flags.has(Flag::OutOfRange));
    assert!(measure_time(&setup, Some(Time::ns(f64::NAN)), room).flags.has(Flag::OutOfRange));
    assert!(measure_thickness(&setup, None).flags.has(Flag::DeviceNoEcho));
    assert!(measure_thickness(&setup, Some(Length::mm(-1.0))).flags.has(Flag::OutOfRange));
    let taken = measure_thickness(&setup, Some(Length::mm(7.25)));
    assert_eq!((taken.thickness, taken.quality), (Some(Length::mm(7.25)), Quality::Fair));
}

// Ranges: ASTM E494 Table X3.1, CRC Handbook, Krautkraemer 1990, NDT Handbook vol. 7.
#[test]
fn every_material_starts_inside_its_published_range() {
    for material in MATERIALS {
        let (low, high) = material.range;
        assert!(low <= material.velocity && material.velocity <= high, "{}", material.name);
        assert_eq!(named(material.name), Some(material));
    }
    assert_eq!(named("Steel").map(|m| m.velocity), Some(Velocity::m_s(5920.0)));
}

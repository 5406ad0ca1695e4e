//! Quantities against figures of the trade.

use crate::*;

fn close(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} ± {tolerance}");
}

// T = V·t/2: ASTM E797, section 4.1 (contact pulse-echo); arithmetic worked from it.
#[test]
fn a_wall_and_its_transit_time_agree_with_the_pulse_echo_relation() {
    close((Length::mm(10.0) * 2.0 / Velocity::m_s(5920.0)).as_us(), 3.378378, 1e-6);
    close((Length::inch(0.5) * 2.0 / Velocity::inch_per_us(0.2330)).as_us(), 4.291845, 1e-6);
    close((Velocity::m_s(5920.0) * Time::us(8.581081) / 2.0).as_mm(), 25.4, 1e-5);
}

// Exact: 1 in = 25.4 mm (international inch).
#[test]
fn velocities_convert_between_metric_and_inch() {
    close(Velocity::m_s(5920.0).as_inch_per_us(), 0.233071, 1e-6);
    close(Velocity::inch_per_us(0.2330).as_m_s(), 5918.2, 0.05);
}

// Fixed points by definition: water freezes at 0 °C = 32 °F and boils at 100 °C = 212 °F. The slope worked: -0.8 / 25 400 / 1.8.
#[test]
fn velocities_and_temperatures_are_shown_in_the_units_of_the_reader() {
    assert_eq!(Temperature::celsius(0.0).as_fahrenheit(), 32.0);
    close(Temperature::celsius(100.0).as_fahrenheit(), 212.0, 1e-9);
    let (mm, inch) = (LengthUnit::Mm, LengthUnit::Inch);
    assert_eq!((mm.temperature(Temperature::celsius(18.04)), inch.temperature(Temperature::celsius(18.0))), ("18.0".into(), "64.4".into()));
    assert_eq!((mm.velocity(Velocity::m_s(5920.0)), inch.velocity(Velocity::m_s(5920.0))), ("5920.0".into(), "0.23307".into()));
    assert_eq!(inch.velocity_slope(-0.8), "-0.0000175 in/µs per °F");
}

// ASTM E797 section 4.1 with the wrong velocity set: true 10.000 mm of 5740 m/s steel read at 5920 m/s.
#[test]
fn a_wrong_velocity_reads_in_proportion() {
    let time = Length::mm(10.0) * 2.0 / Velocity::m_s(5740.0);
    close((Velocity::m_s(5920.0) * time / 2.0).as_mm(), 10.313589, 1e-6);
}

#[test]
fn lengths_are_read_in_the_unit_typed() {
    assert_eq!(parse_length("6.2", LengthUnit::Mm), Ok(Length::mm(6.2)));
    assert_eq!(parse_length(" 1.25 m", LengthUnit::Inch), Ok(Length::mm(1250.0)));
    assert_eq!(parse_length("0.5", LengthUnit::Inch), Ok(Length::mm(12.7)));
    assert_eq!(parse_length("0.5\"", LengthUnit::Mm), Ok(Length::mm(12.7)));
    assert_eq!(parse_length("1e1mm", LengthUnit::Mm), Ok(Length::mm(10.0)));
    assert!(parse_length("ten", LengthUnit::Mm).is_err());
    assert!(parse_length("nan", LengthUnit::Mm).is_err());
}

// ISO 80000-1, 7.3.2: the decimal sign is a comma or a point on the line; digits are not parted by either.
#[test]
fn a_decimal_comma_is_read_where_it_can_be_nothing_else() {
    for (text, value) in [("6,2", 6.2), ("0,125", 0.125), ("-12,25", -12.25), ("1,2345", 1.2345), ("1234,567", 1234.567), ("1.234", 1.234)]
    {
        assert_eq!(parse_number(text), Ok(value), "{text}");
    }
    for text in ["1,234", "12,500", "-999,000"] {
        assert_eq!(parse_number(text), Err(NumberError::TwoWays { text: text.into() }));
    }
    assert_eq!(parse_number("1,234").unwrap_err().to_string(), "'1,234' can be read in two ways: write 1.234 or 1234");
    for text in ["1,234.5", "1.234,5", "1,2,3"] {
        assert_eq!(parse_number(text), Err(NumberError::TwoMarks(text.into())));
    }
    for text in ["", ",", "5,", ",5", "a,5", "1,5e3", "inf", "NaN"] {
        assert_eq!(parse_number(text), Err(NumberError::NoNumber(text.into())));
    }
    assert_eq!(parse_length("12,5 mm", LengthUnit::Inch), Ok(Length::mm(12.5)));
    assert!(parse_length("1,234 m", LengthUnit::Mm).unwrap_err().to_string().contains("two ways"));
}

#[test]
fn working_time_is_said_in_whole_minutes_rounded_up() {
    let said = |minutes| Minutes::new(minutes).to_string();
    assert_eq!([said(0.0), said(2.01), said(59.0), said(60.0), said(124.5)], ["0 min", "3 min", "59 min", "1 h 00 min", "2 h 05 min"]);
    assert_eq!((Length::metres(3.6) / Speed::mm_s(60.0)).as_minutes(), 1.0);
}

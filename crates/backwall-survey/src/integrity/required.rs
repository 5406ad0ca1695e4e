//! The thickness a wall must have: tank shell courses and zones, pressure vessels, pipe; and what a wall may carry.

use super::worked::{FormulaSource, Refusal, Worked, WorkedAnswer, part, positive};
use backwall_units::{Length, LossRate, Pressure, Years};

const TANK: FormulaSource =
    FormulaSource::published("API 653, evaluation of existing tank shells, one-foot method (3rd to 5th edition wording)");
const TANK_ZONE: FormulaSource = FormulaSource::from_memory("API 653, locally thinned area of a course, 4.3.3.1(b)");
const STRESS: FormulaSource = FormulaSource::published("API 653, maximum allowable shell stress (3rd to 5th edition wording)");
const UG27: FormulaSource = FormulaSource::published("ASME BPVC Section VIII Division 1, UG-27");
const B313: FormulaSource = FormulaSource::published("ASME B31.3, 304.1.2");
const API570: FormulaSource =
    FormulaSource::published("API 570, MAWP at the end of the next interval (Annex C; Table 7-1 in older editions)");

/// The units a formula is worked in: its constants were rounded for each, so the two differ by some 0.02 %.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FormulaUnits {
    Us,
    Si,
}

/// Which part of the shell is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extent {
    /// A whole course: H from the bottom of the course.
    Course,
    /// A locally thinned area or any part of a course: H from the bottom of the averaging length, and no foot taken off.
    Zone,
}

/// A tank shell under its liquid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shell {
    pub diameter: Length,
    /// From the bottom of the course or of the zone to the highest liquid level.
    pub fill: Length,
    pub specific_gravity: f64,
    pub stress: Pressure,
    pub joint_efficiency: f64,
}

/// The one-foot method holds up to this diameter (200 ft).
const WIDEST_FT: f64 = 200.0;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Required {
    /// What the formula gives.
    pub calculated: Length,
    /// What counts: not less than the least any course may have.
    pub required: Length,
}

impl Shell {
    /// The least thickness of the course or zone: 2.6·(H − 1)·D·G/(S·E) inch or 4.9·(H − 0.3)·D·G/(S·E) mm for a course,
    /// without the foot for a zone; not less than 0.100 in or 2.5 mm.
    pub fn required(&self, extent: Extent, form: FormulaUnits) -> Result<WorkedAnswer<Required>, Refusal> {
        let (title, source, foot) = match extent {
            Extent::Course => ("Required thickness of the course", TANK, 1.0),
            Extent::Zone => ("Required thickness of the thinned zone", TANK_ZONE, 0.0),
        };
        positive(title, "diameter", self.diameter.as_mm())?;
        positive(title, "specific gravity", self.specific_gravity)?;
        positive(title, "allowable stress", self.stress.as_mpa())?;
        part(title, "joint efficiency", self.joint_efficiency)?;
        if !self.fill.is_finite() {
            return Err(Refusal::impossible(title, "the fill height is not a number"));
        }
        let feet = self.diameter.as_inch() / 12.0;
        if feet > WIDEST_FT + 1e-9 {
            return Err(Refusal::impossible(title, format!("the one-foot method holds up to 200 ft (61 m); this is {feet:.1} ft")));
        }
        let (g, e) = (self.specific_gravity, self.joint_efficiency);
        let (value, least, worked) = match form {
            FormulaUnits::Us => {
                let (h, s) = (self.fill.as_inch() / 12.0, self.stress.as_psi());
                let value = 2.6 * (h - foot) * feet * g / (s * e);
                let formula = if foot > 0.0 {
                    "t = 2.6 (H - 1) D G / (S E), not less than 0.100 in"
                } else {
                    "t = 2.6 H D G / (S E), not less than 0.100 in"
                };
                let worked = Worked::new(title, formula, source)
                    .given("D", "diameter", feet, "ft")
                    .given("H", "fill height", h, "ft")
                    .given("S", "allowable stress", s, "psi");
                (
                    Length::inch(value),
                    Length::inch(0.100),
                    worked.gives("", "calculated", value, "in").gives("t", "required", value.max(0.100), "in"),
                )
            }
            FormulaUnits::Si => {
                let (h, d, s) = (self.fill.as_metres(), self.diameter.as_metres(), self.stress.as_mpa());
                let value = 4.9 * (h - 0.3 * foot) * d * g / (s * e);
                let formula = if foot > 0.0 {
                    "t = 4.9 (H - 0.3) D G / (S E), not less than 2.5 mm"
                } else {
                    "t = 4.9 H D G / (S E), not less than 2.5 mm"
                };
                let worked = Worked::new(title, formula, source)
                    .in_own_units()
                    .given("D", "diameter", d, "m")
                    .given("H", "fill height", h, "m")
                    .given("S", "allowable stress", s, "MPa");
                (
                    Length::mm(value),
                    Length::mm(2.5),
                    worked.gives("", "calculated", value, "mm").gives("t", "required", value.max(2.5), "mm"),
                )
            }
        };
        let worked = worked
            .given("G", "specific gravity", g, "")
            .given("E", "joint efficiency", e, "")
            .caution_if(value < least, "the formula gives less than the minimum thickness any course may have, so that minimum counts")
            .caution_if(e < 1.0, "in plate away from welds by more than 1 in and twice its thickness E counts as 1.0: the plan does not give where the welds are")
            .caution("hydrostatic load only: wind, external pressure, settlement, nozzles and a hydrostatic test are not included")
            .caution_if(form == FormulaUnits::Si, "the minimum thickness of 2.5 mm is from memory (0.100 in = 2.54 mm)");
        Ok(WorkedAnswer::new(Required { calculated: value, required: value.max(least) }, worked))
    }

    /// The fill height a thickness carries: S·E·t/(2.6·D·G) ft, and a foot more for a whole course.
    pub fn fill_height(&self, extent: Extent, thickness: Length) -> Result<WorkedAnswer<Length>, Refusal> {
        let title = "Fill height the thickness carries";
        let (d, t) = (positive(title, "diameter", self.diameter.as_inch() / 12.0)?, positive(title, "thickness", thickness.as_inch())?);
        let (s, g) =
            (positive(title, "allowable stress", self.stress.as_psi())?, positive(title, "specific gravity", self.specific_gravity)?);
        let (e, foot) = (part(title, "joint efficiency", self.joint_efficiency)?, if extent == Extent::Course { 1.0 } else { 0.0 });
        let value = s * e * t / (2.6 * d * g) + foot;
        let formula = if extent == Extent::Course { "H = S E t / (2.6 D G) + 1" } else { "H = S E t / (2.6 D G)" };
        let worked = Worked::new(title, formula, TANK)
            .in_own_units()
            .given("S", "allowable stress", s, "psi")
            .given("E", "joint efficiency", e, "")
            .given("t", "thickness", t, "in")
            .given("D", "diameter", d, "ft")
            .given("G", "specific gravity", g, "")
            .gives("H", "fill height", value, "ft");
        Ok(WorkedAnswer::new(Length::inch(value * 12.0), worked))
    }
}

/// The allowable stress of a shell course from its steel: the lesser of 0.80 Y and 0.429 T in the two lower courses, of
/// 0.88 Y and 0.472 T above; T counts up to 80 000 psi.
pub fn allowable_stress(yield_stress: Pressure, tensile: Pressure, lower_two: bool) -> Result<WorkedAnswer<Pressure>, Refusal> {
    let title = "Allowable stress";
    let y = positive(title, "yield stress", yield_stress.as_psi())?;
    let told = positive(title, "tensile strength", tensile.as_psi())?;
    if told < y {
        return Err(Refusal::impossible(
            title,
            format!("a tensile strength of {told:.0} psi under a yield stress of {y:.0} psi is not possible"),
        ));
    }
    let t = told.min(80_000.0);
    let (a, b, formula) = if lower_two {
        (0.80, 0.429, "S = min(0.80 Y, 0.429 T), two lower courses")
    } else {
        (0.88, 0.472, "S = min(0.88 Y, 0.472 T), upper courses")
    };
    let value = (a * y).min(b * t);
    let worked = Worked::new(title, formula, STRESS)
        .given("Y", "yield stress", y, "psi")
        .given("T", "tensile strength", t, "psi")
        .gives("S", "allowable stress", value, "psi")
        .caution_if(told > t, "the tensile strength counts up to 80 000 psi only")
        .caution("tables of the code round this to 100 psi");
    Ok(WorkedAnswer::new(Pressure::psi(value), worked))
}

/// Steel nobody knows counts as this: yield 30 000 psi, tensile 55 000 psi (API 653).
pub fn unknown_steel() -> (Pressure, Pressure) {
    (Pressure::psi(30_000.0), Pressure::psi(55_000.0))
}

/// The shape of a vessel under internal pressure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Vessel {
    /// Hoop stress, which governs a plain cylinder.
    Cylinder,
    /// Longitudinal stress.
    CylinderAlong,
    Sphere,
}

/// A vessel or a part of one: inside radius, corroded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pressurised {
    pub pressure: Pressure,
    pub radius: Length,
    pub stress: Pressure,
    pub joint_efficiency: f64,
}

impl Pressurised {
    fn checked(&self, title: &str) -> Result<(f64, f64, f64, f64), Refusal> {
        Ok((
            positive(title, "pressure", self.pressure.as_mpa())?,
            positive(title, "inside radius", self.radius.as_mm())?,
            positive(title, "allowable stress", self.stress.as_mpa())?,
            part(title, "joint efficiency", self.joint_efficiency)?,
        ))
    }

    /// P·R/(S·E − 0.6·P) for a cylinder, P·R/(2·S·E + 0.4·P) along it, P·R/(2·S·E − 0.2·P) for a sphere.
    pub fn required(&self, vessel: Vessel) -> Result<WorkedAnswer<Length>, Refusal> {
        let title = "Required thickness under pressure";
        let (p, r, s, e) = self.checked(title)?;
        let (formula, below, most) = match vessel {
            Vessel::Cylinder => ("t = P R / (S E - 0.6 P)", s * e - 0.6 * p, 0.385),
            Vessel::CylinderAlong => ("t = P R / (2 S E + 0.4 P)", 2.0 * s * e + 0.4 * p, 1.25),
            Vessel::Sphere => ("t = P R / (2 S E - 0.2 P)", 2.0 * s * e - 0.2 * p, 0.665),
        };
        if p > most * s * e {
            return Err(Refusal::impossible(title, format!("the formula holds up to P = {most} S E; use the thick-wall rules")));
        }
        let value = p * r / below;
        let worked = Worked::new(title, formula, UG27).given("P", "pressure", p, "MPa");
        let worked = self.figures(worked).gives("t", "required", value, "mm");
        let worked =
            worked.caution("internal pressure only; add the corrosion allowance; liquid head, supports and nozzles are not included");
        Ok(WorkedAnswer::new(Length::mm(value), worked))
    }

    /// The pressure a thickness carries; `pressure` of `self` has no part in it.
    pub fn allowable_pressure(&self, vessel: Vessel, thickness: Length) -> Result<WorkedAnswer<Pressure>, Refusal> {
        let title = "Pressure the thickness carries";
        let (_, r, s, e) = Self { pressure: Pressure::mpa(1.0), ..*self }.checked(title)?;
        let t = positive(title, "thickness", thickness.as_mm())?;
        let (formula, value, thickest) = match vessel {
            Vessel::Cylinder => ("P = S E t / (R + 0.6 t)", s * e * t / (r + 0.6 * t), 0.5),
            Vessel::CylinderAlong => ("P = 2 S E t / (R - 0.4 t)", 2.0 * s * e * t / (r - 0.4 * t), 0.5),
            Vessel::Sphere => ("P = 2 S E t / (R + 0.2 t)", 2.0 * s * e * t / (r + 0.2 * t), 0.356),
        };
        if t > thickest * r {
            return Err(Refusal::impossible(title, format!("the formula holds up to t = {thickest} R; use the thick-wall rules")));
        }
        let worked = self.figures(Worked::new(title, formula, UG27)).given("t", "thickness", t, "mm").gives("P", "pressure", value, "MPa");
        Ok(WorkedAnswer::new(Pressure::mpa(value), worked.caution("liquid head and static loads are not included")))
    }

    /// What a wall that corrodes from inside must have at the end of its life, when its inside radius has grown to that of the outside less
    /// the required thickness: P·R_o/(S·E + 0.4·P), P·R_o/(2·S·E + 1.4·P) along it, P·R_o/(2·S·E + 0.8·P) for a sphere. `radius` is the
    /// inside one when new, `wall` the thickness then. What is lost already and what is to come are both in it, and no allowance is needed.
    pub fn required_at_end(&self, vessel: Vessel, wall: Length) -> Result<WorkedAnswer<Length>, Refusal> {
        let title = "Required thickness under pressure";
        let (p, r, s, e) = self.checked(title)?;
        let outside = r + positive(title, "wall when new", wall.as_mm())?;
        let (formula, below) = match vessel {
            Vessel::Cylinder => ("t = P Ro / (S E + 0.4 P)", s * e + 0.4 * p),
            Vessel::CylinderAlong => ("t = P Ro / (2 S E + 1.4 P)", 2.0 * s * e + 1.4 * p),
            Vessel::Sphere => ("t = P Ro / (2 S E + 0.8 P)", 2.0 * s * e + 0.8 * p),
        };
        let value = p * outside / below;
        if value >= outside {
            return Err(Refusal::impossible(title, "the wall would be all of the radius; use the thick-wall rules"));
        }
        // The same as the formula of the inside radius, corroded to R = Ro - t, whose range of use holds.
        let corroded = Self { radius: Length::mm(outside - value), ..*self };
        corroded.required(vessel)?;
        let worked = Worked::new(
            title,
            format!("{formula}, Ro = R_new + t_new; the same as by the inside radius R = Ro - t at the end of life"),
            UG27,
        )
        .given("P", "pressure", p, "MPa")
        .given("R_new", "inside radius when new", r, "mm")
        .given("t_new", "wall when new", wall.as_mm(), "mm")
        .given("S", "allowable stress", s, "MPa")
        .given("E", "joint efficiency", e, "")
        .gives("R", "inside radius, corroded to the end of life", outside - value, "mm")
        .gives("t", "required", value, "mm")
        .caution("the loss is taken to be inside; if the loss is outside, the inside radius stays and less is required")
        .caution("internal pressure only; liquid head, supports and nozzles are not included");
        Ok(WorkedAnswer::new(Length::mm(value), worked))
    }

    fn figures(&self, worked: Worked) -> Worked {
        worked
            .given("R", "inside radius, corroded", self.radius.as_mm(), "mm")
            .given("S", "allowable stress", self.stress.as_mpa(), "MPa")
            .given("E", "joint efficiency", self.joint_efficiency, "")
    }
}

/// Straight pipe under internal pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pipe {
    pub pressure: Pressure,
    pub outside_diameter: Length,
    pub stress: Pressure,
    /// Quality factor E and weld strength reduction W together.
    pub joint_efficiency: f64,
    /// Y: 0.4 for ferritic steel below 482 °C.
    pub y: f64,
}

impl Pipe {
    /// t = P·D/(2·(S·E·W + P·Y)), valid where t < D/6.
    pub fn required(&self) -> Result<WorkedAnswer<Length>, Refusal> {
        let title = "Required thickness of the pipe";
        let (p, d) =
            (positive(title, "pressure", self.pressure.as_mpa())?, positive(title, "outside diameter", self.outside_diameter.as_mm())?);
        let (s, e) = (positive(title, "allowable stress", self.stress.as_mpa())?, part(title, "joint efficiency", self.joint_efficiency)?);
        let y = part(title, "coefficient Y", self.y)?;
        let value = p * d / (2.0 * (s * e + p * y));
        if value >= d / 6.0 {
            return Err(Refusal::impossible(title, "the formula holds for t < D/6; use the thick-wall rules"));
        }
        let worked = Worked::new(title, "t = P D / (2 (S E W + P Y))", B313)
            .given("P", "pressure", p, "MPa")
            .given("D", "outside diameter", d, "mm")
            .given("S", "allowable stress", s, "MPa")
            .given("E W", "quality and weld factor", e, "")
            .given("Y", "coefficient", y, "")
            .gives("t", "required for pressure", value, "mm")
            .caution("small pipe may need more than this for its own weight (structural minimum, API RP 574): take the larger")
            .caution("Y = 0.4 holds for ferritic steel below 900 °F (482 °C)");
        Ok(WorkedAnswer::new(Length::mm(value), worked))
    }

    /// P = 2·S·E·t/(D − 2·Y·t).
    pub fn allowable_pressure(&self, thickness: Length) -> Result<WorkedAnswer<Pressure>, Refusal> {
        let title = "Pressure the pipe's wall carries";
        let (t, d) =
            (positive(title, "thickness", thickness.as_mm())?, positive(title, "outside diameter", self.outside_diameter.as_mm())?);
        let (s, e) = (positive(title, "allowable stress", self.stress.as_mpa())?, part(title, "joint efficiency", self.joint_efficiency)?);
        if t >= d / 6.0 {
            return Err(Refusal::impossible(title, "the formula holds for t < D/6; use the thick-wall rules"));
        }
        let value = 2.0 * s * e * t / (d - 2.0 * self.y * t);
        let worked = Worked::new(title, "P = 2 S E t / (D - 2 Y t)", B313)
            .given("S", "allowable stress", s, "MPa")
            .given("E", "quality factor", e, "")
            .given("t", "thickness", t, "mm")
            .given("D", "outside diameter", d, "mm")
            .given("Y", "coefficient", self.y, "")
            .gives("P", "pressure", value, "MPa");
        Ok(WorkedAnswer::new(Pressure::mpa(value), worked))
    }

    /// The pressure still allowed at the end of the next interval, with twice the loss expected until then taken off:
    /// P = 2·S·E·(t − 2·rate·interval)/D.
    pub fn pressure_after(&self, actual: Length, rate: LossRate, interval: Years) -> Result<WorkedAnswer<Pressure>, Refusal> {
        let title = "Pressure allowed at the end of the next interval";
        let (s, e) = (positive(title, "allowable stress", self.stress.as_mpa())?, part(title, "joint efficiency", self.joint_efficiency)?);
        let d = positive(title, "outside diameter", self.outside_diameter.as_mm())?;
        let left = actual - rate * interval * 2.0;
        positive(title, "thickness left at the end of the interval", left.as_mm())?;
        let value = 2.0 * s * e * left.as_mm() / d;
        let worked = Worked::new(title, "P = 2 S E (t - 2 rate interval) / D", API570)
            .given("S", "allowable stress", s, "MPa")
            .given("E", "quality factor", e, "")
            .given("t", "actual thickness", actual.as_mm(), "mm")
            .given("rate", "corrosion rate", rate.as_mm_y(), "mm/y")
            .given("interval", "next interval", interval.as_years(), "y")
            .given("D", "outside diameter", d, "mm")
            .gives("P", "pressure", value, "MPa");
        Ok(WorkedAnswer::new(Pressure::mpa(value), worked))
    }
}

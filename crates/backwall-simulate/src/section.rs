//! What the probe stands on at one place of a line: the wall under its beam, paint, inner reflectors and contact.

use super::wall::{DrivenLine, Thinning, VirtualCourse, VirtualPit, VirtualWall};
use backwall_units::{Decibel, Length};
use std::f64::consts::PI;

/// A hole is no echo; the model stops at this wall.
const LEAST_WALL_MM: f64 = 0.3;
/// Points of the facet grid to each side of the beam's axis, and how far apart in beam widths: three widths in all.
const REACH: i32 = 13;
const SPACING: f64 = 3.0 / REACH as f64;
/// A wall that varies less than this under the beam is flat.
const FLAT_MM: f64 = 0.002;
/// Slope at which a facet's echo has fallen to exp(−½).
const FACING_SLOPE: f64 = 0.22;
/// Contact is lost and found again over this length.
const CONTACT_EDGE_MM: f64 = 2.0;

/// A piece of the back wall under the beam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Facet {
    /// In metres.
    pub depth: f64,
    /// Its share of the beam.
    pub share: f64,
    /// How far it faces the probe, 0 to 1; counts once for each bounce.
    pub facing: f64,
}

/// Everything at one place.
#[derive(Debug, Clone, Default)]
pub struct WallSection {
    /// One for a flat wall.
    pub facets: Vec<Facet>,
    /// In metres.
    pub paint: f64,
    /// Depth in metres and covered share of the beam.
    pub reflector: Option<(f64, f64)>,
    /// Amplitude, 1 for full contact.
    pub contact: f64,
    pub gain: Decibel,
}

impl WallSection {
    /// A flat plate in full contact.
    pub fn flat(thickness: Length, paint: Length, gain: Decibel) -> Self {
        Self {
            facets: vec![Facet { depth: thickness.as_metres(), share: 1.0, facing: 1.0 }],
            paint: paint.as_metres(),
            reflector: None,
            contact: 1.0,
            gain,
        }
    }
}

/// A line's wall, ready to be looked at.
#[derive(Debug, Clone)]
pub struct Sections {
    line: DrivenLine,
    courses: Vec<VirtualCourse>,
    beam_mm: f64,
    paint: Length,
    gain: Decibel,
    grid: Vec<f64>,
}

impl Sections {
    pub fn new(wall: &VirtualWall, line: &DrivenLine) -> Self {
        Self {
            line: line.clone(),
            courses: if line.wall.is_some() { Vec::new() } else { wall.courses.clone() },
            beam_mm: wall.probe.beam.as_mm(),
            paint: wall.paint.thickness,
            gain: wall.receiver.gain,
            grid: Vec::new(),
        }
    }

    /// Remaining wall at a place along the line and beside it, in mm.
    pub fn wall_mm(&self, along: f64, beside: f64) -> f64 {
        let sound = self.sound_mm(along);
        let mut wall = sound - self.line.thinnings.iter().map(|x| thinned(x, along)).fold(0.0, f64::max);
        let lost = self.line.pits.iter().map(|pit| cap(pit, along, beside)).fold(0.0, f64::max);
        for seam in &self.line.seams {
            wall += seam.cap.as_mm() * bell(along - seam.at.as_mm(), seam.width.as_mm());
        }
        (wall.min(sound - lost)).max(LEAST_WALL_MM)
    }

    fn sound_mm(&self, along: f64) -> f64 {
        if let Some(wall) = self.line.wall {
            return wall.as_mm();
        }
        let mut top = 0.0;
        let mut wall = 0.0;
        for course in &self.courses {
            wall = course.wall.as_mm();
            top += course.height.as_mm();
            if along < top {
                break;
            }
        }
        wall
    }

    /// What the probe stands on at a place along the line and beside it.
    pub fn at(&mut self, along: Length, beside: Length, section: &mut WallSection) {
        let x = along.as_mm();
        self.facets(x, beside.as_mm(), &mut section.facets);
        let line = &self.line;
        let inside = |from: Length, to: Length| x >= from.as_mm() && x < to.as_mm();
        section.paint = line.painted.iter().find(|p| inside(p.from, p.to)).map_or(self.paint, |p| p.thickness).as_metres();
        section.gain = line.gains.iter().find(|g| inside(g.from, g.to)).map_or(self.gain, |g| g.gain);
        section.reflector = line
            .reflectors
            .iter()
            .map(|reflector| {
                let edge = |at: Length| 0.5 * (1.0 + libm::erf((x - at.as_mm()) / (self.beam_mm * std::f64::consts::SQRT_2)));
                (reflector.depth.as_metres(), reflector.cover * (edge(reflector.from) - edge(reflector.to)))
            })
            .filter(|(_, share)| *share > 1e-4)
            .reduce(|a, b| if a.1 >= b.1 { a } else { b });
        let mut loss = 0.0;
        for lost in &line.losses {
            let into = (x - lost.from.as_mm()).min(lost.to.as_mm() - x) / CONTACT_EDGE_MM;
            loss += lost.loss.as_db() * into.clamp(0.0, 1.0);
        }
        for seam in &line.seams {
            loss += seam.loss.as_db() * bell(x - seam.at.as_mm(), seam.width.as_mm());
        }
        section.contact = Decibel::db(-loss).as_ratio();
    }

    fn facets(&mut self, x: f64, y: f64, facets: &mut Vec<Facet>) {
        facets.clear();
        let step = self.beam_mm * SPACING;
        let reach = step * f64::from(REACH + 1);
        let pitted = self.line.pits.iter().any(|pit| {
            let (far, radius) = (reach + pit.radius.as_mm(), pit.radius.as_mm());
            (x - pit.at.as_mm()).abs() < far && (y - pit.offset.as_mm()).abs() < reach + radius
        });
        // One row along the line is enough where nothing changes beside it. A border gives the slopes at the rim.
        let rows = if pitted { REACH } else { 0 };
        let wide = (2 * REACH + 3) as usize;
        let mut grid = std::mem::take(&mut self.grid);
        grid.clear();
        let (mut least, mut most) = (f64::INFINITY, 0.0f64);
        for row in -rows - 1..=rows + 1 {
            for column in -REACH - 1..=REACH + 1 {
                let wall = if pitted || row == 0 { self.wall_mm(x + f64::from(column) * step, y + f64::from(row) * step) } else { 0.0 };
                if pitted || row == 0 {
                    (least, most) = (least.min(wall), most.max(wall));
                }
                grid.push(wall);
            }
        }
        if most - least < FLAT_MM {
            facets.push(Facet { depth: self.wall_mm(x, y) / 1e3, share: 1.0, facing: 1.0 });
            self.grid = grid;
            return;
        }
        let mut total = 0.0;
        for row in -rows..=rows {
            for column in -REACH..=REACH {
                let at = (row + rows + 1) as usize * wide + (column + REACH + 1) as usize;
                let along = (grid[at + 1] - grid[at - 1]) / (2.0 * step);
                let beside = if pitted { (grid[at + wide] - grid[at - wide]) / (2.0 * step) } else { 0.0 };
                let away = f64::from(column * column + row * row) * SPACING * SPACING;
                let share = libm::exp(-0.5 * away);
                let facing = libm::exp(-0.5 * (along * along + beside * beside) / (FACING_SLOPE * FACING_SLOPE));
                total += share;
                facets.push(Facet { depth: grid[at] / 1e3, share, facing });
            }
        }
        for facet in facets.iter_mut() {
            facet.share /= total;
        }
        self.grid = grid;
    }
}

/// 1 in the middle of `width`, falling as a raised cosine to 0 at its ends.
fn bell(away: f64, width: f64) -> f64 {
    if away.abs() * 2.0 >= width { 0.0 } else { 0.5 * (1.0 + libm::cos(2.0 * PI * away / width)) }
}

fn thinned(thinning: &Thinning, x: f64) -> f64 {
    let (from, to) = (thinning.from.as_mm(), thinning.to.as_mm());
    let edge = thinning.edge.map_or((to - from) / 2.0, Length::as_mm);
    let into = (x - from).min(to - x);
    if into <= 0.0 {
        0.0
    } else if into >= edge {
        thinning.depth.as_mm()
    } else {
        thinning.depth.as_mm() * 0.5 * (1.0 - libm::cos(PI * into / edge))
    }
}

/// Depth of a spherical cap at a place.
fn cap(pit: &VirtualPit, x: f64, y: f64) -> f64 {
    let (a, depth) = (pit.radius.as_mm(), pit.depth.as_mm());
    let (dx, dy) = (x - pit.at.as_mm(), y - pit.offset.as_mm());
    let away = dx * dx + dy * dy;
    if depth <= 0.0 || away >= a * a {
        return 0.0;
    }
    let sphere = (a * a + depth * depth) / (2.0 * depth);
    libm::sqrt(sphere * sphere - away) - (sphere - depth)
}

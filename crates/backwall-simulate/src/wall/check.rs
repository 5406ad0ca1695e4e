//! Impossible values of a wall file, each with its key.

use super::{DrivenLine, VirtualWall};
use backwall_units::{Length, Speed};

impl VirtualWall {
    pub(super) fn check(&self, add: &mut dyn FnMut(String, String)) {
        let mut range = |key: &str, value: f64, low: f64, high: f64| {
            if !(value >= low && value <= high) {
                add(key.to_owned(), format!("{value} is not possible: it must be between {low} and {high}"));
            }
        };
        range("steel.velocity_m_s", self.steel.velocity.as_m_s(), 500.0, 15_000.0);
        range("steel.velocity_slope_m_s_k", self.steel.velocity_slope_m_s_k, -20.0, 20.0);
        range("steel.temperature_c", self.steel.temperature.as_celsius(), -60.0, 300.0);
        range("steel.block_temperature_c", self.steel.block_temperature.as_celsius(), -60.0, 300.0);
        range("steel.shear_ratio", self.steel.shear_ratio, 0.1, 0.9);
        range("steel.attenuation_db_m", self.steel.attenuation_db_m, 0.0, 2000.0);
        range("paint.thickness_mm", self.paint.thickness.as_mm(), 0.0, 20.0);
        range("paint.velocity_m_s", self.paint.velocity.as_m_s(), 500.0, 8000.0);
        range("paint.impedance_mrayl", self.paint.impedance_mrayl, 0.1, 40.0);
        let probe = &self.probe;
        range("probe.frequency_mhz", probe.frequency.as_mhz(), 0.5, 20.0);
        range("probe.bandwidth", probe.bandwidth, 0.1, 1.2);
        range("probe.phase_rad", probe.phase_rad, -10.0, 10.0);
        range("probe.half_separation_mm", probe.half_separation.as_mm(), 0.0, 50.0);
        range("probe.tyre_mm", probe.tyre.as_mm(), 0.0, 100.0);
        range("probe.tyre_velocity_m_s", probe.tyre_velocity.as_m_s(), 800.0, 8000.0);
        range("probe.tyre_velocity_slope_m_s_k", probe.tyre_velocity_slope_m_s_k, -3.0, 3.0);
        range("probe.delay_ns", probe.delay.as_ns(), 0.0, 100_000.0);
        range("probe.focus_mm", probe.focus.as_mm(), 0.1, 1000.0);
        range("probe.focus_width", probe.focus_width, 0.05, 100.0);
        range("probe.beam_mm", probe.beam.as_mm(), 0.1, 20.0);
        let receiver = &self.receiver;
        range("receiver.rate_mhz", receiver.rate.as_mhz(), 2.0 * probe.frequency.as_mhz(), 1000.0);
        range("receiver.first_sample_us", receiver.first.as_us(), -1000.0, 1000.0);
        range("receiver.samples", f64::from(receiver.samples), 16.0, 32_000.0);
        range("receiver.bits", f64::from(receiver.bits), 6.0, 16.0);
        range("receiver.gain_db", receiver.gain.as_db(), -200.0, 200.0);
        range("receiver.unit_echo_pct", receiver.unit_echo_pct, 0.1, 1000.0);
        range("receiver.offset_pct", receiver.offset_pct, -100.0, 100.0);
        range("noise.snr_db", self.noise.snr.as_db(), -20.0, 200.0);
        range("noise.grain_db", self.noise.grain.as_db(), -200.0, 0.0);
        range("noise.coupling_db", self.noise.coupling.as_db(), 0.0, 20.0);
        range("noise.baseline_pct", self.noise.baseline_pct, 0.0, 100.0);
        let device = &self.device;
        range("device.shot_rate_hz", device.shot_rate.as_hz(), 0.1, 100_000.0);
        range("device.counts_per_mm", device.counts_per_mm.abs(), 0.001, 100_000.0);
        range("device.across_counts_per_mm", device.across_counts_per_mm.abs(), 0.001, 100_000.0);
        range("device.header_every_s", device.header_every_s, 0.01, 5.0);
        range("device.status_every_s", device.status_every_s, 0.01, 3600.0);
        range("device.battery_mv_per_min", device.battery_mv_per_min, 0.0, 10_000.0);
        for (index, course) in self.courses.iter().enumerate() {
            range(&format!("course[{index}].height_mm"), course.height.as_mm(), 1.0, 1e6);
            range(&format!("course[{index}].wall_mm"), course.wall.as_mm(), 0.5, 500.0);
        }
        let mut names = std::collections::BTreeSet::new();
        for (index, line) in self.lines.iter().enumerate() {
            if !names.insert(&line.name) {
                add(format!("line[{index}].name"), format!("line {} is given twice: give each its own name", line.name));
            }
            if line.wall.is_none() && (self.courses.is_empty() || !line.direction.is_upright()) {
                add(format!("line[{index}]"), "has no wall: give wall_mm, or [[course]] for lines up and down".to_owned());
            }
            line.check(index, add);
        }
    }
}

impl DrivenLine {
    fn check(&self, line: usize, add: &mut dyn FnMut(String, String)) {
        if self.legs.is_empty() {
            add(format!("line[{line}]"), "has no [[line.leg]]: the crawler would never move".to_owned());
        }
        for (index, leg) in self.legs.iter().enumerate() {
            let key = format!("line[{line}].leg[{index}]");
            let moves = usize::from(leg.forward.is_some()) + usize::from(leg.back.is_some());
            if moves + usize::from(leg.pause_s.is_some()) != 1 {
                add(key.clone(), "needs exactly one of forward_mm, back_mm and pause_s".to_owned());
            }
            let driven = leg.forward.or(leg.back).map_or(1.0, Length::as_mm);
            let speed = leg.speed.map_or(if moves == 1 { 0.0 } else { 1.0 }, Speed::as_mm_s);
            if !(driven.is_finite() && driven > 0.0) {
                add(key.clone(), format!("{driven} mm is not possible: it must be greater than 0"));
            }
            if !(speed.is_finite() && speed > 0.0) {
                add(key.clone(), "a leg that moves needs speed_mm_s greater than 0".to_owned());
            }
            if !(leg.pause_s.unwrap_or(0.0) >= 0.0 && leg.pause_s.unwrap_or(0.0) <= 86_400.0) {
                add(key, "pause_s must be between 0 and 86400".to_owned());
            }
        }
        if let Some(weave) = &self.weave
            && !((0.1..=10_000.0).contains(&weave.side.as_mm()) && (0.01..=3600.0).contains(&weave.seconds))
        {
            add(format!("line[{line}].weave"), "side_mm must be between 0.1 and 10000, seconds between 0.01 and 3600".to_owned());
        }
        let mut stretch = |kind: &str, index: usize, from: Length, to: Length| {
            if !(from.is_finite() && to.is_finite() && from < to) {
                add(format!("line[{line}].{kind}[{index}].to_mm"), format!("{to} is not beyond from_mm, {from}"));
            }
        };
        for (index, x) in self.thinnings.iter().enumerate() {
            stretch("thinning", index, x.from, x.to);
        }
        for (index, x) in self.reflectors.iter().enumerate() {
            stretch("reflector", index, x.from, x.to);
        }
        for (index, x) in self.painted.iter().enumerate() {
            stretch("painted", index, x.from, x.to);
        }
        for (index, x) in self.losses.iter().enumerate() {
            stretch("loss", index, x.from, x.to);
        }
        for (index, x) in self.gains.iter().enumerate() {
            stretch("gain", index, x.from, x.to);
        }
        let mut range = |key: String, value: f64, low: f64, high: f64| {
            if !(value >= low && value <= high) {
                add(format!("line[{line}].{key}"), format!("{value} is not possible: it must be between {low} and {high}"));
            }
        };
        for (index, x) in self.thinnings.iter().enumerate() {
            range(format!("thinning[{index}].depth_mm"), x.depth.as_mm(), 0.0, 500.0);
            if let Some(edge) = x.edge {
                range(format!("thinning[{index}].edge_mm"), edge.as_mm(), 0.0, (x.to - x.from).as_mm() / 2.0);
            }
        }
        for (index, pit) in self.pits.iter().enumerate() {
            range(format!("pit[{index}].radius_mm"), pit.radius.as_mm(), 0.1, 500.0);
            range(format!("pit[{index}].depth_mm"), pit.depth.as_mm(), 0.0, pit.radius.as_mm());
        }
        for (index, seam) in self.seams.iter().enumerate() {
            range(format!("seam[{index}].width_mm"), seam.width.as_mm(), 0.1, 500.0);
            range(format!("seam[{index}].cap_mm"), seam.cap.as_mm(), -20.0, 20.0);
            range(format!("seam[{index}].loss_db"), seam.loss.as_db(), 0.0, 200.0);
        }
        for (index, x) in self.reflectors.iter().enumerate() {
            range(format!("reflector[{index}].depth_mm"), x.depth.as_mm(), 0.3, 500.0);
            range(format!("reflector[{index}].cover"), x.cover, 0.0, 1.0);
        }
        for (index, x) in self.painted.iter().enumerate() {
            range(format!("painted[{index}].thickness_mm"), x.thickness.as_mm(), 0.0, 20.0);
        }
        for (index, x) in self.losses.iter().enumerate() {
            range(format!("loss[{index}].loss_db"), x.loss.as_db(), 0.0, 200.0);
        }
        for (index, x) in self.gains.iter().enumerate() {
            range(format!("gain[{index}].gain_db"), x.gain.as_db(), -200.0, 200.0);
        }
    }
}

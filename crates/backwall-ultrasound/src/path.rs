//! From arrival time to wall and back: the way of the sound in a dual-element probe.
//!
//! Sender and receiver sit at half the separation on either side of the centre; unfolding the plate like a mirror
//! image gives the m-th back-wall echo at `zero + 2 sqrt((m d)^2 + h^2) / c` (textbook geometry, e.g. Krautkraemer
//! and Krautkraemer, Ultrasonic Testing of Materials, 4th ed. 1990). Lengths here are mm, times ns.

/// The straight-ray path: zero, half separation, velocity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoundPath {
    pub zero_ns: f64,
    pub half_mm: f64,
    pub mm_per_ns: f64,
}

impl SoundPath {
    /// Arrival of the `m`-th back-wall echo of a wall `d` mm thick.
    pub fn time(&self, d: f64, m: f64) -> f64 {
        self.zero_ns + 2.0 * self.leg(m * d) / self.mm_per_ns
    }
    /// The wall whose first echo arrives at `time`; `None` before the shortest path.
    pub fn depth(&self, time: f64) -> Option<f64> {
        let half = (time - self.zero_ns) * self.mm_per_ns / 2.0;
        let square = half * half - self.half_mm * self.half_mm;
        (half > 0.0 && square > 0.0).then(|| square.sqrt())
    }
    /// Time between the `m`-th and the `n`-th echo.
    pub fn spacing(&self, d: f64, m: f64, n: f64) -> f64 {
        2.0 * (self.leg(n * d) - self.leg(m * d)) / self.mm_per_ns
    }
    /// The wall whose `m`-th and `n`-th echoes lie `spacing` apart.
    pub fn depth_from_spacing(&self, spacing: f64, m: f64, n: f64) -> Option<f64> {
        if spacing <= 0.0 || spacing.is_nan() {
            return None;
        }
        // The spacing grows with the wall; without a separation it is (n-m) 2d/c, with one it is less.
        let mut d = spacing * self.mm_per_ns / (2.0 * (n - m));
        for _ in 0..30 {
            let slope = 2.0 * (n * n * d / self.leg(n * d) - m * m * d / self.leg(m * d).max(1e-12)) / self.mm_per_ns;
            if slope <= 0.0 || slope.is_nan() {
                return None;
            }
            let step = (spacing - self.spacing(d, m, n)) / slope;
            d = (d + step).max(1e-3);
            // It is where a search begins.
            if step.abs() < 1e-3 {
                break;
            }
        }
        Some(d)
    }
    /// How much the wall changes with the arrival of its first echo, mm per ns.
    pub fn slope(&self, d: f64) -> f64 {
        self.mm_per_ns / 2.0 * self.leg(d) / d.max(1e-3)
    }
    /// Arrival of the `m`-th echo, and what it changes by with the wall, ns per mm.
    pub fn time_and_slope(&self, d: f64, m: f64) -> (f64, f64) {
        let (leg, ns_per_mm) = (self.leg(m * d), 2.0 / self.mm_per_ns);
        (self.zero_ns + leg * ns_per_mm, m * m * d * ns_per_mm / leg.max(1e-9))
    }
    fn leg(&self, d: f64) -> f64 {
        (d * d + self.half_mm * self.half_mm).sqrt()
    }
}

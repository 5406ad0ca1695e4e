//! What a scan could not have seen, as a table and in the words that command line, report and screen share. The figures come from a model
//! of the scan; here they are only said.

use backwall_units::{Length, LengthUnit};
use serde::Serialize;

/// Drives over pits of one width and depth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct UnseenCell {
    #[serde(rename = "width_mm")]
    pub width: Length,
    #[serde(rename = "depth_mm")]
    pub depth: Length,
    pub drives: u32,
    pub found: u32,
    /// Wilson's interval at 95 % (Wilson, JASA 22, 1927).
    pub from: f64,
    pub to: f64,
}

/// The cells row by row of one depth, the shallowest first, in each the narrowest first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Unseen {
    #[serde(rename = "nominal_mm")]
    pub nominal: Length,
    #[serde(rename = "spacing_mm")]
    pub spacing: Length,
    pub snr_db: f64,
    #[serde(rename = "beam_mm")]
    pub beam: Length,
    pub cells: Vec<UnseenCell>,
}

/// The table of a run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct UnseenOfRun {
    pub run: i64,
    pub line: String,
    pub table: Unseen,
}

/// Pits of a size count as found from where the interval's lower end is this or more.
const MOSTLY: f64 = 0.8;

impl UnseenOfRun {
    /// `What this scan could not have seen (run 1 on A090)`.
    pub fn title(&self) -> String {
        format!("What this scan could not have seen (run {} on {})", self.run, self.line)
    }

    /// What the figures are of, and what they are not.
    pub fn statement(&self, unit: LengthUnit) -> String {
        let Unseen { nominal, spacing, snr_db, beam, .. } = &self.table;
        let (symbol, length) = (unit.thickness_symbol(), |length: &Length| unit.thickness(*length));
        format!(
            "A model for screening, not a probability of detection (POD): pits are spherical caps in a wall of {} {symbol}, a shot every {} {symbol}, {snr_db:.0} dB \
             over noise, beam {} {symbol}; the line passes within 2 mm of the middle; found means a spot, a judged stretch, or a reading that shows half the loss or more, within 3 mm; shares found in percent, with \
             Wilson's interval at 95 %. There is no published curve for pits under dual-element probes; nothing is seen beside the line.",
            length(nominal),
            length(spacing),
            length(beam)
        )
    }

    fn depths(&self) -> Vec<Length> {
        distinct(self.table.cells.iter().map(|cell| cell.depth))
    }

    /// The table: its head, then a row for each width; shares in percent with their interval.
    pub fn rows(&self, unit: LengthUnit) -> Vec<Vec<String>> {
        let length = |length: Length| format!("{} {}", unit.thickness(length), unit.thickness_symbol());
        let depths = self.depths();
        let head = std::iter::once("wide".to_owned()).chain(depths.iter().map(|depth| format!("{} deep", length(*depth)))).collect();
        let share = |cell: &UnseenCell| {
            let share = 100.0 * f64::from(cell.found) / f64::from(cell.drives.max(1));
            format!("{share:.0} ({:.0}-{:.0})", 100.0 * cell.from, 100.0 * cell.to)
        };
        let row = |width: Length| {
            let cell = |depth: &Length| self.table.cells.iter().find(|cell| cell.width == width && cell.depth == *depth);
            std::iter::once(length(width)).chain(depths.iter().map(|depth| cell(depth).map_or_else(String::new, share))).collect()
        };
        let widths = distinct(self.table.cells.iter().map(|cell| cell.width));
        std::iter::once(head).chain(widths.into_iter().map(row)).collect()
    }

    /// How wide pits of each depth are that are mostly found, in one line.
    pub fn summary(&self, unit: LengthUnit) -> String {
        let (symbol, length) = (unit.thickness_symbol(), |length: Length| unit.thickness(length));
        let of_depth = |depth: Length| {
            let of: Vec<&UnseenCell> = self.table.cells.iter().filter(|cell| cell.depth == depth).collect();
            let mut stretches = Vec::new();
            for stretch in of.split(|cell| cell.from < MOSTLY).filter(|stretch| !stretch.is_empty()) {
                let (first, last) = (stretch[0].width, stretch[stretch.len() - 1].width);
                stretches.push(match Some(last) == of.last().map(|cell| cell.width) {
                    true => format!("from {} wide", length(first)),
                    false if first == last => format!("{} wide", length(first)),
                    false => format!("{} to {} wide", length(first), length(last)),
                });
            }
            let widths = if stretches.is_empty() { "at no width tried".to_owned() } else { stretches.join(" and ") };
            format!("{} deep {widths}", length(depth))
        };
        let found: Vec<String> = self.depths().into_iter().map(of_depth).collect();
        format!(
            "by a model of run {} on {}, pits are found in 8 of 10 drives or more (lower end of the interval), in {symbol}: {}; others it may have missed",
            self.run,
            self.line,
            found.join(", ")
        )
    }
}

fn distinct(lengths: impl Iterator<Item = Length>) -> Vec<Length> {
    lengths.fold(Vec::new(), |mut known, length| {
        if !known.contains(&length) {
            known.push(length);
        }
        known
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cell(width: f64, depth: f64, from: f64) -> UnseenCell {
        UnseenCell { width: Length::mm(width), depth: Length::mm(depth), drives: 40, found: (40.0 * from) as u32, from, to: 1.0 }
    }

    #[test]
    fn the_summary_says_which_widths_are_mostly_found_of_each_depth() {
        let depth =
            |depth: f64, from: [f64; 4]| [4.0, 6.0, 8.0, 10.0].into_iter().zip(from).map(move |(width, from)| cell(width, depth, from));
        let cells =
            depth(1.0, [0.9, 0.5, 0.85, 0.85]).chain(depth(2.0, [0.1, 0.1, 0.2, 0.1])).chain(depth(3.0, [0.1, 0.8, 0.9, 0.1])).collect();
        let table = Unseen { nominal: Length::mm(9.0), spacing: Length::mm(1.0), snr_db: 33.0, beam: Length::mm(7.0), cells };
        let of = UnseenOfRun { run: 3, line: "A090".into(), table };
        let said = of.summary(LengthUnit::Mm);
        let expected = "in mm: 1.00 deep 4.00 wide and from 8.00 wide, 2.00 deep at no width tried, 3.00 deep 6.00 to 8.00 wide; others it may have missed";
        assert!(said.ends_with(expected), "{said}");
        let rows = of.rows(LengthUnit::Mm);
        assert_eq!((rows.len(), rows[0].len(), rows[2][1].as_str()), (5, 4, "50 (50-100)"));
        assert_eq!(rows[0], ["wide", "1.00 mm deep", "2.00 mm deep", "3.00 mm deep"]);
    }
}

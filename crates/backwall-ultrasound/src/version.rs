//! Which evaluator made a measurement, and how near another version's must come.

use backwall_units::{Length, Time};

/// Raised whenever the same waveform and set-up may give other bits. Stored with what was measured, so that a later program
/// knows whether to expect the same bits or the same wall.
///
/// 1: every output of the search summed in double precision. 2: the search in single precision, what counts timed again in
/// double precision. 3: the second echo is looked for where the zero may have moved, and readings know their zero; without a
/// calibration a reading is flagged so, never good, and its uncertainty holds the drawing's path. 4: a reading whose two echoes contradict each other is flagged
/// from the first shot on, and so is every reading where the zero scatters from shot to shot. 5: a second echo higher than its first is no proof of an
/// even wall, echoes under a quarter of a beam do not move the zero, and what is dim and narrow is doubted by its neighbours. 6: what
/// neighbours show goes on only as steeply as a wall that returns an echo; what counts is timed with taps in whole numbers. 7: what stands before a dark wall is compared with the grain before a whole one. 8: beside what
/// is not even a reading says that its U does not reach there; one that its own two echoes contradict is read by them, and such a pair moves the zero only
/// where it returns about as much as those before it; a dim echo between two gaps narrower than the tyre's contact stands alone. 9: on a slope as well a reading says that its U does not reach the wall
/// beside it, as the readings there show; a reflector's third echo and later ones are no wall behind it.
pub const EVALUATOR_VERSION: u32 = 9;

/// An echo that an earlier version timed must be found again within this. The two sum the same taps, rounded otherwise, and a
/// parabola through the top settles to some 0.01 ps: 5 ps are 15 nm of steel, far under any uncertainty that is shown.
/// Noise, SNR and uncertainty are not held to this: the search that they come from uses fewer taps since version 2.
pub const TIME_TOLERANCE: Time = Time::ns(0.005);

/// The same for thickness.
pub const THICKNESS_TOLERANCE: Length = Length::mm(2e-5);

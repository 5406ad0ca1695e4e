//! Every key of a basis, declared once: the ranges that are checked and the page `docs/basis.md` come from here; a test holds it against
//! the serde types.

use crate::job::keys::written;
use crate::job::keys::{
    Allowed::{self, *},
    KeyLeftOut::{self, *},
    PlanTable,
    Range::*,
    key,
};

const AS_PLANNED: KeyLeftOut = Open("as the plan has it");
const RATE: Allowed = Number(Within(0.0, 20.0));

pub const TABLES: &[PlanTable] = &[
    PlanTable {
        path: "",
        needed: true,
        meaning: "Of the asset as a whole; these keys come first, before any table.",
        keys: &[
            key("name", "", Filled, Needed, "\"filled to 8.5 m\"", "What the basis is called in tables and reports."),
            key("code", "", Words(&["api-653", "api-510", "api-570"]), AS_PLANNED, "\"api-653\"", "Whose interval rules count."),
            key("piping_class", "", Whole(1, 3), AS_PLANNED, "2", "Service class of piping."),
            key("built", "", Date, AS_PLANNED, "1998-06-01", "When the wall was new."),
            key("fill_height_mm", "mm", Number(OverZero), AS_PLANNED, "8500", "Highest liquid level above the datum."),
            key("specific_gravity", "", Number(Within(0.1, 5.0)), AS_PLANNED, "0.9", "Of what is stored; water is 1."),
            key("design_pressure_mpa", "MPa", Number(OverZero), AS_PLANNED, "0.4", "For vessels, columns, spheres and pipes."),
            key("corrosion_allowance_mm", "mm", Number(FromZero), AS_PLANNED, "1.0", "What may corrode until the next inspection."),
            key("interval_years", "years", Number(Within(0.1, 50.0)), AS_PLANNED, "5", "Planned time to the next inspection."),
            key(
                "longest_interval_years",
                "years",
                Number(Within(0.1, 50.0)),
                Open("what the code allows"),
                "5",
                "The next date is never further off than this.",
            ),
            key(
                "rate_mm_y",
                "mm/y",
                RATE,
                Open("the measured rates alone"),
                "0.12",
                "A rate by the engineer's own judgement, for every course.",
            ),
            key(
                "rate_counts",
                "",
                Words(&["greatest", "given"]),
                Default("\"greatest\""),
                "\"greatest\"",
                "Whether the greatest of the given and the measured rates counts, or the given one alone.",
            ),
            key(
                "surveys",
                "",
                Texts,
                Open("those named with --earlier"),
                "[\"2021.job\"]",
                "Files of the earlier surveys that count, beside this file or the job.",
            ),
            key("plan_earlier", "", Flag, Open("they count"), "true", "Whether the minima of earlier surveys in the plan count."),
            key(
                "hand",
                "",
                Numbers,
                Open("none: they are listed beside the numbers"),
                "[12, 15]",
                "Readings by hand that count for the minimum, by the numbers of their statements.",
            ),
            key(
                "hand_u_mm",
                "mm",
                Number(OverZero),
                Open("they have no U, and nothing is met by them"),
                "0.2",
                "U (k = 2) of each of them.",
            ),
        ],
    },
    PlanTable {
        path: "course[]",
        needed: false,
        meaning: "Of one course; as many as differ from the plan.",
        keys: &[
            key("number", "", Whole(0, 65_535), Needed, "1", "The course as the plan numbers it."),
            key("required_mm", "mm", Number(OverZero), AS_PLANNED, "6.2", "The required thickness."),
            key(
                "required_from",
                "",
                Text,
                Open("its source is listed as missing"),
                "\"calculation C-118 rev 2\"",
                "Where that comes from.",
            ),
            key(
                "by_formula",
                "",
                Flag,
                Default("false"),
                "true",
                "The formula of the code counts, though the plan gives a required thickness.",
            ),
            key("nominal_mm", "mm", Number(OverZero), AS_PLANNED, "10.0", "Thickness by drawing."),
            key("original_mm", "mm", Number(OverZero), AS_PLANNED, "10.1", "Measured when new."),
            key("joint_efficiency", "", Number(OverZeroTo(1.0)), AS_PLANNED, "0.85", "Of the welds."),
            key("allowable_stress_mpa", "MPa", Number(Within(20.0, 1500.0)), AS_PLANNED, "162.7", "Of the plate."),
            key("yield_mpa", "MPa", Number(Within(20.0, 1500.0)), AS_PLANNED, "235", "Of the plate; for tanks the stress follows."),
            key("tensile_mpa", "MPa", Number(Within(20.0, 1500.0)), AS_PLANNED, "360", "Of the plate."),
            key("rate_mm_y", "mm/y", RATE, Open("that of the asset"), "0.15", "A rate for this course by the engineer's own judgement."),
        ],
    },
];

const ABOUT: &str = "\
# The basis of an assessment

A basis says what the measured walls are judged by: required thickness, rates, formula inputs, interval. It is a TOML file of the engineer's, made
after the survey and beside the sealed plan; it replaces what it gives, leaves the rest as the plan has it, and touches nothing that was measured:
readings, levels and spots stay as they are.

```
backwall assess JOB --basis BASIS.toml                                # what if
backwall assess JOB --basis A.toml --against B.toml                   # two side by side; each a file, the number of a kept one, or plan
backwall assess JOB --basis BASIS.toml --keep --by NAME --reason TEXT # from now on it counts: a statement in the job
```

What was kept last is in force: `assess` and `report` go by it and name it. `backwall amend --withdraw NUMBER` takes it back; `--basis plan` leaves it
aside once. In the console `d` in Review shows the same, and `b` there is this page as a form. Every key carries its unit in its name; an unknown key is refused. This page is made from the table that the values are checked by.
";

/// `docs/basis.md`.
pub fn page() -> String {
    written::page_of(ABOUT, TABLES)
}

//! `backwall demo`: the main job on a bundled, invented job and stream; nothing to set up.

use super::calibrate::{self, AtBlock, MeasureArgs};
use super::checklist::{answer_and_sign, read_answers};
use super::choice::choice;
use super::console::ScreenArgs;
use super::templates;
use crate::live::{Begin, Connecting};
use crate::session::review::EarlierSurvey;
use crate::session::{LineStream, Session, runtime};
use anyhow::{Context, bail};
use backwall_report::earlier::EarlierTold;
use backwall_simulate::{Crawler, StreamEnd, VirtualWall};
use backwall_store::JobFile;
use backwall_stream::profile::Profile;
use backwall_stream::spec::{Pace, StreamSpec};
use backwall_survey::job::Plan;
use backwall_survey::job::checklist::Signed;
use backwall_units::Length;
use clap::Args;
use std::path::{Path, PathBuf};

#[derive(Args, Debug)]
pub struct DemoArgs {
    /// Where to put the demo's job file; a folder of its own under the system's temporary folder if not given
    #[arg(long, value_name = "PATH")]
    pub job: Option<PathBuf>,
    /// No screen: run the demo's first line as fast as it can be read
    #[arg(long)]
    pub headless: bool,
    /// With --headless: one JSON object a line
    #[arg(long, requires = "headless")]
    pub json: bool,
    /// How fast the bundled stream is read; device pace on the console, as fast as possible without a screen
    #[arg(long, value_parser = choice(Pace::ALL))]
    pub pace: Option<Pace>,
    #[command(flatten)]
    pub screen: ScreenArgs,
}

const PLAN: &str = include_str!("../../demo-stream/plan.toml");
const ANSWERS: &str = include_str!("../../demo-stream/answers.toml");
/// The bundled streams, by the line they belong to. All simulated, of an invented tank.
const STREAMS: &[(&str, &[u8])] = &[
    ("A090", include_bytes!("../../demo-stream/A090.shots")),
    ("A120", include_bytes!("../../demo-stream/A120.shots")),
    ("C1", include_bytes!("../../demo-stream/C1.shots")),
];

/// An invented survey of some years before, as a table.
const EARLIER: (&str, &str) = ("earlier.csv", include_str!("../../demo-stream/earlier.csv"));

pub fn run(args: DemoArgs) -> anyhow::Result<()> {
    let folder = match &args.job {
        Some(path) => path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new(".")).to_owned(),
        None => std::env::temp_dir().join(format!("backwall-demo-{}", std::process::id())),
    };
    std::fs::create_dir_all(&folder).with_context(|| format!("{} cannot be made", folder.display()))?;
    let path = args.job.clone().unwrap_or_else(|| folder.join("demo.job"));
    let streams = std::env::temp_dir().join(format!("backwall-demo-streams-{}", std::process::id()));
    let pace = args.pace.unwrap_or(if args.headless { Pace::Max } else { Pace::Device });
    let mut session = prepare(&path, &streams, pace)?;
    let first = STREAMS[0].0;
    let done = if args.headless {
        let runtime = runtime()?;
        let entered = runtime.enter();
        session.prepare(&Connecting::default())?;
        drop(entered);
        runtime.shutdown_background();
        super::scan::headless(session, &Begin::on(first), args.json, &[])
    } else {
        let earlier = EarlierSurvey { path: streams.join(EARLIER.0), told: EarlierTold::default() };
        super::console::scan(session, Begin::on(first), Some(earlier), &args.screen)
    };
    std::fs::remove_dir_all(&streams).ok();
    if !args.headless {
        eprintln!("The demo's job file (all of it invented) is {}", path.display());
    }
    done
}

/// The demo's job with checklist answered and signed and its streams laid out as files; the probe is calibrated when the
/// screen is up.
fn prepare(path: &Path, streams: &Path, pace: Pace) -> anyhow::Result<Session> {
    let plan = Plan::parse("demo-stream/plan.toml", PLAN)?;
    let checklist = templates::checklist(&plan.job.checklist, Path::new("demo-stream/plan.toml"))?;
    let now = crate::live::now_us();
    JobFile::create(path, &plan, PLAN, &checklist, now)?;
    let mut session = Session::open(path, None)?;
    let by = Signed { at_us: now, ..session.operator.clone() };
    let answers = read_answers("demo-stream/answers.toml", ANSWERS, &checklist, &by)?;
    answer_and_sign(&session.file, answers, Some(by.clone()))?;
    session.file.writer().add_setup(plan.typed_setup(), "typed from the plan".into(), by)?;
    let wall = VirtualWall::parse("demo-stream/wall.toml", super::simulate::DEMO_WALL)?;
    session.profile = Some(Profile::load("open-packet")?);
    std::fs::create_dir_all(streams).with_context(|| format!("{} cannot be made", streams.display()))?;
    for (line, bytes) in STREAMS {
        let file = streams.join(format!("{line}.shots"));
        std::fs::write(&file, bytes).with_context(|| format!("{} cannot be written", file.display()))?;
        session.streams.insert((*line).to_owned(), LineStream { spec: StreamSpec::File(file), pace });
    }
    let earlier = streams.join(EARLIER.0);
    std::fs::write(&earlier, EARLIER.1).with_context(|| format!("{} cannot be written", earlier.display()))?;
    let (blocks_of, folder) = (wall.clone(), streams.to_owned());
    let calibrate = move |session: &Session| calibrate_on_blocks(session, &blocks_of, &folder);
    session.preparation = Some(("calibrating the simulated probe on its blocks", Box::new(calibrate)));
    session.simulated = Some(wall);
    Ok(session)
}

/// Blocks of the invented step block that the invented operator has calibrated on, and one to verify, mm.
const BLOCKS: [f64; 5] = [4.0, 6.0, 8.0, 10.0, 12.5];
const VERIFIED_ON: f64 = 9.0;
/// The line along which the encoder was checked.
const ENCODER: (&str, f64) = ("C1", 2000.0);

/// The simulated probe is put on blocks, verified, and its encoder driven over a known way, as `backwall calibrate` does it. Must
/// be called where a runtime is entered.
fn calibrate_on_blocks(session: &Session, wall: &VirtualWall, folder: &Path) -> anyhow::Result<()> {
    let on_block = |mm: f64| -> anyhow::Result<AtBlock> {
        let length = Length::mm(mm);
        let mut crawler = Crawler::on_block(wall, length, StreamEnd::Shots(40))?;
        let mut bytes = Vec::new();
        while crawler.next_frame(&mut bytes).is_some() {}
        let file = folder.join(format!("block-{mm}.shots"));
        std::fs::write(&file, bytes).with_context(|| format!("{} cannot be written", file.display()))?;
        Ok(AtBlock { length, spec: StreamSpec::File(file) })
    };
    let (line, way) = ENCODER;
    let kit = &session.file.contents()?.plan.kit;
    let measure = MeasureArgs {
        at: BLOCKS.into_iter().map(on_block).collect::<anyhow::Result<_>>()?,
        verify: vec![on_block(VERIFIED_ON)?],
        encoder: Some(AtBlock { length: Length::mm(way), spec: StreamSpec::File(folder.join(format!("{line}.shots"))) }),
        block_serial: kit.iter().find(|kit| kit.kind == "step block").map_or_else(String::new, |kit| kit.serial.clone()),
        profile: "open-packet".to_owned(),
        ..MeasureArgs::default()
    };
    let (_, _, failed) = tokio::runtime::Handle::current().block_on(calibrate::work(session, &measure))?;
    match failed {
        None => Ok(()),
        Some(why) => bail!("the demo's own calibration failed: {why}"),
    }
}

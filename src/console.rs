//! (contract)
use crate::job::checklist::*; use crate::store::*; use crate::ultrasound::Setup; use crate::live::*; use std::sync::*;
pub trait Backend {
   fn contents(&self) -> anyhow::Result<JobContents>;
   fn answer(&mut self, _: Answer)->anyhow::Result<()>; fn sign(&mut self, _: Signature)->anyhow::Result<()>; fn note(&mut self, _: Note)->anyhow::Result<()>; fn add_override(&mut self, _: String, _: Signed)->anyhow::Result<()>;
   fn set_setup(&mut self, _: Setup, _: Signed)->anyhow::Result<()>;
   fn start_scan(&mut self, line:&str, override_reason:Option<String>) -> anyhow::Result<ScanHandle>;
   fn review(&self, run: RunId) -> anyhow::Result<Wall>;
   fn now_us(&self)->i64;
}
pub struct ScanHandle { pub view: tokio::sync::watch::Receiver<Arc<LiveView>>, pub wall: Arc<Mutex<Wall>>, pub commands: tokio::sync::mpsc::Sender<Command> }
pub enum Step { Prepare, Checklist, Calibrate, Scan, Review }
#[derive(Debug, Clone, Copy, clap::ValueEnum)] pub enum Theme { Dark }
#[derive(Debug, Clone, Copy, clap::ValueEnum)] pub enum Glyphs { Ascii }
pub struct ConsoleOptions { pub start: Step, pub theme: Option<Theme>, pub glyphs: Option<Glyphs>, pub unit: crate::units::LengthUnit, pub start_line: Option<String>, pub start_override: Option<String>, pub operator: Signed, pub settings_path: Option<std::path::PathBuf> }
pub enum Outcome { Quit, Terminated(String) }
pub async fn run(_: &mut impl Backend, _: ConsoleOptions) -> anyhow::Result<Outcome> { todo!() }

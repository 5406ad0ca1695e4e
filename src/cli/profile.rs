//! x
#[derive(clap::Args)] pub struct ProfileArgs {}
pub fn run(_: ProfileArgs) -> anyhow::Result<()> { Ok(()) }

//! x
#[derive(clap::Args)] pub struct PortsArgs {}
pub fn run(_: PortsArgs) -> anyhow::Result<()> { Ok(()) }

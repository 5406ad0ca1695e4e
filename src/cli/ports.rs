//! `backwall ports`: the serial ports of this machine.

use anyhow::Result;
use backwall_stream::ports;
use std::io::Write;

/// List the serial ports of this machine
#[derive(Debug, clap::Args)]
pub struct PortsArgs {
    /// Print one JSON array instead of text
    #[arg(long)]
    json: bool,
}

pub fn run(args: PortsArgs) -> Result<()> {
    let ports = ports::list().map_err(anyhow::Error::msg)?;
    let mut out = std::io::stdout().lock();
    if args.json {
        let ports: Vec<_> = ports.iter().map(|port| serde_json::json!({ "port": port.name, "about": port.about })).collect();
        writeln!(out, "{}", serde_json::Value::from(ports))?;
    } else if ports.is_empty() {
        writeln!(out, "No serial port now. Plug the device in and try again.")?;
    } else {
        let width = ports.iter().map(|port| port.name.chars().count()).max().unwrap_or(0);
        for port in ports {
            writeln!(out, "{:width$}  {}", port.name, port.about)?;
        }
    }
    Ok(())
}

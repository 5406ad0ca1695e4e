//! `backwall ports`: the serial ports of this machine.

use anyhow::Result;
use backwall_stream::ports;

/// List the serial ports of this machine
#[derive(Debug, clap::Args)]
pub struct PortsArgs {
    /// Print one JSON array instead of text
    #[arg(long)]
    json: bool,
}

pub fn run(args: PortsArgs) -> Result<()> {
    let ports = ports::list().map_err(anyhow::Error::msg)?;
    if args.json {
        let ports: Vec<_> = ports.iter().map(|port| serde_json::json!({ "port": port.name, "about": port.about })).collect();
        say!("{}", serde_json::Value::from(ports));
    } else if ports.is_empty() {
        say!("No serial port now. Plug the device in and try again.");
    } else {
        let width = ports.iter().map(|port| port.name.chars().count()).max().unwrap_or(0);
        for port in ports {
            say!("{:width$}  {}", port.name, port.about);
        }
    }
    Ok(())
}

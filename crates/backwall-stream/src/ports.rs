//! The serial ports of this machine.

use serialport::{SerialPortType, UsbPortInfo};

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Port {
    pub name: String,
    /// What is plugged in there, as far as the system knows.
    pub about: String,
    usb: Option<UsbPortInfo>,
}

/// All ports, sorted by name. An error is told in words, for messages.
pub fn list() -> Result<Vec<Port>, String> {
    // Without this folder (containers, chroots) the enumeration would panic.
    #[cfg(target_os = "linux")]
    if !std::path::Path::new("/sys/class/tty").is_dir() {
        return Err("this system does not list its serial ports (/sys/class/tty is missing)".to_owned());
    }
    let mut ports: Vec<Port> = serialport::available_ports()
        .map_err(|error| format!("the system does not list its serial ports: {error}"))?
        .into_iter()
        .map(|port| {
            let (about, usb) = match port.port_type {
                SerialPortType::UsbPort(usb) => (about_usb(&usb), Some(usb)),
                SerialPortType::BluetoothPort => ("Bluetooth".to_owned(), None),
                SerialPortType::PciPort => ("built in".to_owned(), None),
                SerialPortType::Unknown => (String::new(), None),
            };
            Port { name: port.port_name, about, usb }
        })
        .collect();
    ports.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(ports)
}

/// One line for a message: the ports that exist.
pub fn in_words() -> String {
    match list() {
        Ok(ports) if ports.is_empty() => "this machine has no serial port now: plug the device in and try again".to_owned(),
        Ok(ports) => {
            let ports: Vec<String> = ports
                .into_iter()
                .map(|port| if port.about.is_empty() { port.name } else { format!("{} ({})", port.name, port.about) })
                .collect();
            format!("there are: {}", ports.join(", "))
        }
        Err(why) => why,
    }
}

fn about_usb(usb: &UsbPortInfo) -> String {
    let mut about = format!("USB {:04x}:{:04x}", usb.vid, usb.pid);
    for part in [&usb.manufacturer, &usb.product, &usb.serial_number].into_iter().flatten() {
        about.push(' ');
        // As the device says it: nothing of it may steer a terminal.
        about.extend(part.chars().filter(|char| !char.is_control()));
    }
    about
}

/// The device behind a port, to find it again when the system gives it another name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    vid: u16,
    pid: u16,
    serial_number: String,
}

impl Identity {
    /// Only a device with a serial number can be told from its sister.
    pub fn of_port(name: &str) -> Option<Self> {
        list().ok()?.into_iter().find(|port| port.name == name).and_then(|port| Self::of(&port))
    }

    fn of(port: &Port) -> Option<Self> {
        let usb = port.usb.as_ref()?;
        let serial_number = usb.serial_number.clone().filter(|number| !number.trim().is_empty())?;
        Some(Self { vid: usb.vid, pid: usb.pid, serial_number })
    }

    /// The name its port has now. `None` where it is not plugged in, or where several answer to it.
    pub fn port_now(&self) -> Option<String> {
        let mut here = list().ok()?.into_iter().filter(|port| Self::of(port).as_ref() == Some(self));
        match (here.next(), here.next()) {
            (Some(port), None) => Some(port.name),
            _ => None,
        }
    }
}

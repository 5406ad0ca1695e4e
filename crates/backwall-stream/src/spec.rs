//! Where a stream comes from, as typed: `serial:PORT[@BAUD]`, `tcp:HOST:PORT`, `file:PATH` or `-`.

use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum StreamSpec {
    /// `baud` of the profile where none is given.
    Serial {
        port: String,
        baud: Option<u32>,
    },
    Tcp {
        host: String,
        port: u16,
    },
    File(PathBuf),
    Stdin,
}

impl StreamSpec {
    /// Whether it runs on without us: what is not read in time is lost. A file and a pipe wait.
    pub fn is_live(&self) -> bool {
        !matches!(self, Self::File(_) | Self::Stdin)
    }
}

/// How fast a file is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Pace {
    /// As fast as the device sent it, by its own clock.
    #[default]
    Device,
    /// As fast as it can be evaluated.
    Max,
}

impl Pace {
    /// Each pace with its name and what it means.
    pub const ALL: &[(Self, &str, &str)] = &[
        (Self::Device, "device", "As fast as the device sent it, by its own clock"),
        (Self::Max, "max", "As fast as it can be evaluated"),
    ];
}

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{written}' is not a stream: {why}; write serial:PORT, serial:PORT@BAUD, tcp:HOST:PORT, file:PATH, or - for standard input")]
pub struct SpecError {
    pub written: String,
    pub why: &'static str,
}

impl FromStr for StreamSpec {
    type Err = SpecError;

    fn from_str(written: &str) -> Result<Self, SpecError> {
        let wrong = |why| SpecError { written: written.to_owned(), why };
        if written == "-" {
            return Ok(Self::Stdin);
        }
        let (kind, rest) = written.split_once(':').ok_or_else(|| wrong("it does not say of what kind"))?;
        if rest.is_empty() {
            return Err(wrong("nothing follows the colon"));
        }
        match kind {
            "serial" => {
                let (port, baud) = match rest.rsplit_once('@') {
                    Some((port, baud)) => {
                        (port, Some(baud.parse().ok().filter(|baud| *baud > 0).ok_or_else(|| wrong("its baud rate is not a number"))?))
                    }
                    None => (rest, None),
                };
                if port.is_empty() {
                    return Err(wrong("the port is missing"));
                }
                Ok(Self::Serial { port: port.to_owned(), baud })
            }
            "tcp" => {
                let (host, port) = rest.rsplit_once(':').ok_or_else(|| wrong("the port is missing"))?;
                let host = host.strip_prefix('[').and_then(|host| host.strip_suffix(']')).unwrap_or(host);
                let port = port.parse().ok().filter(|port| *port > 0).ok_or_else(|| wrong("its port is not a number from 1 to 65535"))?;
                if host.is_empty() {
                    return Err(wrong("the host is missing"));
                }
                Ok(Self::Tcp { host: host.to_owned(), port })
            }
            "file" => Ok(Self::File(PathBuf::from(rest))),
            _ => Err(wrong("that kind is not known")),
        }
    }
}

impl fmt::Display for StreamSpec {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Serial { port, baud: Some(baud) } => write!(f, "serial:{port}@{baud}"),
            Self::Serial { port, baud: None } => write!(f, "serial:{port}"),
            Self::Tcp { host, port } if host.contains(':') => write!(f, "tcp:[{host}]:{port}"),
            Self::Tcp { host, port } => write!(f, "tcp:{host}:{port}"),
            Self::File(path) => write!(f, "file:{}", path.display()),
            Self::Stdin => f.write_str("-"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_is_read_and_shown_the_same() {
        let serial = |port: &str, baud| StreamSpec::Serial { port: port.to_owned(), baud };
        let tcp = |host: &str, port| StreamSpec::Tcp { host: host.to_owned(), port };
        for (written, spec) in [
            ("serial:COM7", serial("COM7", None)),
            ("serial:/dev/serial/by-id/usb-x@y-if00@921600", serial("/dev/serial/by-id/usb-x@y-if00", Some(921_600))),
            ("tcp:crawler.local:4500", tcp("crawler.local", 4500)),
            ("tcp:[::1]:4500", tcp("::1", 4500)),
            ("file:C:\\data\\a.shots", StreamSpec::File("C:\\data\\a.shots".into())),
            ("-", StreamSpec::Stdin),
        ] {
            assert_eq!(written.parse(), Ok(spec.clone()));
            assert_eq!(spec.to_string(), written);
        }
    }

    #[test]
    fn what_is_wrong_is_told() {
        for (written, why) in [
            ("COM7", "kind"),
            ("usb:3", "not known"),
            ("serial:", "nothing"),
            ("serial:@9600", "port is missing"),
            ("serial:COM7@fast", "baud"),
            ("tcp:host", "port is missing"),
            ("tcp::80", "host is missing"),
            ("tcp:host:0", "65535"),
            ("file:", "nothing"),
            ("", "kind"),
        ] {
            let error = written.parse::<StreamSpec>().unwrap_err();
            assert!(error.to_string().contains(why), "{written}: {error}");
        }
    }
}

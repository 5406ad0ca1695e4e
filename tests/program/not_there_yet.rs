//! A port that is not plugged in yet, and a server that still refuses: a scan waits for either and reads from the first shot that comes.
#![cfg(unix)]

use crate::common::*;
use std::io::{BufRead, BufReader, Lines, Write};
use std::net::TcpListener;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::Duration;

/// A scan of a gauge, while its stream is not there, and what it says.
struct Waiting {
    scan: Child,
    said: Lines<BufReader<ChildStdout>>,
}

impl Waiting {
    fn start(folder: &Path, stream: &str) -> Self {
        let job = folder.join("test.job");
        let scan = ["scan", job.to_str().unwrap(), "--line", "C1", "--stream", stream, "--profile", "delimited-text", "--headless"];
        let mut scan = backwall().args(scan).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        std::thread::sleep(Duration::from_millis(400));
        assert!(scan.try_wait().unwrap().is_none(), "it has given up: {:?}", scan.wait_with_output());
        let said = BufReader::new(scan.stdout.take().unwrap()).lines();
        Self { scan, said }
    }

    fn until(&mut self, words: &str) {
        assert!(self.said.by_ref().map(Result::unwrap).any(|line| line.contains(words)), "'{words}' was never said");
    }

    /// What comes is read whole from the first shot on.
    fn reads(mut self, mut line: impl Write, folder: &Path) {
        self.until("connected");
        // A line of which the beginning is not seen is not read: an end of line comes first.
        let shots: String = (0..50).map(|shot| format!("{shot};{};{};9.0\n", shot * 10, shot * 20)).collect();
        line.write_all(format!("\n{shots}").as_bytes()).unwrap();
        self.until("saved 50 readings");
        assert!(Command::new("kill").args(["-TERM", &self.scan.id().to_string()]).status().unwrap().success());
        assert!(self.scan.wait().unwrap().success());
        let rows = csv(&folder.join("test.job"), folder);
        assert_eq!((rows.len(), rows[0]["seq"].as_str(), rows[49]["position_mm"].parse::<f64>().unwrap()), (50, "0", 24.5));
    }
}

#[test]
fn a_serial_port_that_is_not_there_yet_is_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    signed_job(folder.path());
    let port = folder.path().join("ttyUSB0");
    let waiting = Waiting::start(folder.path(), &format!("serial:{}", port.display()));
    let pair = portable_pty::native_pty_system().openpty(portable_pty::PtySize::default()).unwrap();
    symlink(pair.master.tty_name().unwrap(), &port).unwrap();
    waiting.reads(pair.master.take_writer().unwrap(), folder.path());
}

#[test]
fn a_server_that_refuses_at_first_is_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    signed_job(folder.path());
    let address = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let waiting = Waiting::start(folder.path(), &format!("tcp:{address}"));
    let listener = TcpListener::bind(address).unwrap();
    let (line, _) = listener.accept().unwrap();
    waiting.reads(line, folder.path());
}

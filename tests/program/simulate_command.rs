//! `backwall simulate` from its arguments to what arrives.

use backwall::cli::simulate::{SimulateArgs, run};
use clap::Parser;
use std::io::Read;

#[derive(Parser)]
struct Command {
    #[command(flatten)]
    simulate: SimulateArgs,
}

fn parse(words: &[&str]) -> Result<SimulateArgs, clap::Error> {
    Command::try_parse_from([&["simulate"], words].concat()).map(|command| command.simulate)
}

#[test]
fn a_block_is_written_to_a_file_and_the_seed_decides_its_bytes() {
    let folder = tempfile::tempdir().unwrap();
    let make = |name: &str, seed: &str| {
        let path = folder.path().join(name);
        run(parse(&["--block", "10", "--shots", "5", "--seed", seed, "--out", path.to_str().unwrap()]).unwrap()).unwrap();
        std::fs::read(path).unwrap()
    };
    let first = make("a.shots", "1");
    assert_eq!(first.iter().filter(|byte| **byte == 0).count(), 7, "a header, a status and five shots");
    assert_eq!(first, make("b.shots", "1"));
    assert_ne!(first, make("c.shots", "2"));
}

#[test]
fn a_tcp_client_gets_the_stream_from_its_start() {
    // A free port, found by asking for one; run() then takes it.
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let address = format!("127.0.0.1:{port}");
    let args = parse(&["--tcp", &address, "--once", "--shots", "20", "--rate", "2000", "--samples", "64"]).unwrap();
    let server = std::thread::spawn(move || run(args));
    let mut client = loop {
        match std::net::TcpStream::connect(&address) {
            Ok(client) => break client,
            Err(_) => std::thread::sleep(std::time::Duration::from_millis(5)),
        }
    };
    let mut stream = Vec::new();
    client.read_to_end(&mut stream).unwrap();
    server.join().unwrap().unwrap();
    assert_eq!(stream.iter().filter(|byte| **byte == 0).count(), 22);
}

#[cfg(unix)]
#[test]
fn a_serial_stream_nobody_reads_neither_blocks_nor_fails() {
    let begun = std::time::Instant::now();
    run(parse(&["--serial", "--shots", "40", "--rate", "1000", "--samples", "512"]).unwrap()).unwrap();
    assert!(begun.elapsed() < std::time::Duration::from_secs(10));
}

#[test]
fn impossible_orders_are_refused_with_what_to_do() {
    assert!(parse(&[]).is_err(), "no target");
    assert!(parse(&["--out", "a", "--tcp", "b"]).is_err(), "two targets");
    assert!(parse(&["--out", "a", "--loop", "--shots", "3"]).is_err());
    let refused = |words: &[&str]| format!("{:#}", run(parse(words).unwrap()).unwrap_err());
    let error = refused(&["--line", "Z9", "--out", "-"]);
    assert!(error.contains("Z9") && error.contains("A090"), "{error}");
    assert!(refused(&["--wall", "no-such.toml", "--out", "-"]).contains("no-such.toml"));
    assert!(refused(&["--block", "0.1", "--out", "-"]).contains("0.1 mm"));
    assert!(refused(&["--rate", "0", "--out", "-"]).contains("--rate"));
}

//! Running sources: TCP with loss and return, files with and without pace, and a pseudo-terminal as a serial port.

use backwall_stream::command::{Ordered, order_of};
use backwall_stream::feed::LIVE_BYTES;
use backwall_stream::{Feed, FeedItem, Pace, Profile, Source, SourceOptions, StreamError, StreamSpec, open, packet};
use backwall_survey::reading::{GaugeValue, Header, Record};
use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Frequency, Time};
use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::time::{Duration, Instant};

fn profile() -> Profile {
    Profile::load("open-packet").unwrap()
}

fn header() -> Vec<u8> {
    header_of(16)
}

fn header_of(samples: u16) -> Vec<u8> {
    let mut out = Vec::new();
    let base = TimeBase { rate: Frequency::mhz(50.0), first: Time::ns(0.0), bits: 12 };
    packet::encode_header(&Header { base, samples, device_id: 1, device_name: "test".to_owned() }, &mut out);
    out
}

fn shot(seq: u32) -> Vec<u8> {
    let mut out = Vec::new();
    packet::encode_shot(seq, 10_000 * u64::from(seq), 0, Decibel::db(40.0), &[seq as i16; 16], &mut out);
    out
}

/// The next thing that happened; a test that waits too long has failed.
fn next(source: &mut Source) -> FeedItem {
    let limit = Instant::now() + Duration::from_secs(20);
    loop {
        match source.feed.try_recv() {
            Ok(Feed { item: FeedItem::Dropped { .. }, .. }) => {}
            Ok(Feed { item, host_time_us }) => {
                assert!(host_time_us > 1_600_000_000_000_000, "a host time of today");
                return item;
            }
            Err(tokio::sync::mpsc::error::TryRecvError::Empty) => {
                assert!(Instant::now() < limit, "nothing came in 20 s; link: {:?}", source.link.borrow());
                std::thread::sleep(Duration::from_millis(2));
            }
            Err(error) => panic!("{error}: {:?}", source.link.borrow()),
        }
    }
}

fn next_seq(source: &mut Source) -> u32 {
    match next(source) {
        FeedItem::Record(Record::Shot(shot)) => {
            assert_eq!(shot.samples[..], [shot.seq as i16; 16]);
            shot.seq
        }
        other => panic!("a shot is due: {other:?}"),
    }
}

fn is_header(item: &FeedItem) -> bool {
    matches!(item, FeedItem::Record(Record::Header(_)))
}

fn serve() -> (TcpListener, StreamSpec) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    (listener, StreamSpec::Tcp { host: "127.0.0.1".to_owned(), port })
}

fn accept(listener: &TcpListener) -> TcpStream {
    listener.accept().unwrap().0
}

#[test]
fn a_tcp_stream_with_garbage_between_frames_is_read_lost_and_found_again() {
    let (listener, spec) = serve();
    let mut source = open(&spec, &profile(), SourceOptions::default()).unwrap();
    let mut client = accept(&listener);
    client.write_all(&[header(), shot(0), b"garbage\x01\xFF\x00".to_vec(), shot(1), shot(2)[..30].to_vec()].concat()).unwrap();
    assert!(matches!(next(&mut source), FeedItem::Up { what } if what.starts_with("127.0.0.1:")));
    assert!(is_header(&next(&mut source)));
    assert_eq!((next_seq(&mut source), next_seq(&mut source)), (0, 1));
    drop(client);
    assert!(matches!(next(&mut source), FeedItem::Down { .. }));
    assert!(!source.link.borrow().up && source.link.borrow().fault.is_some());
    let mut client = accept(&listener);
    // It comes back in the middle of shot 3.
    client.write_all(&[shot(3)[20..].to_vec(), shot(4)].concat()).unwrap();
    assert!(matches!(next(&mut source), FeedItem::Reconnected { attempts: 1.., .. }));
    assert_eq!(next_seq(&mut source), 4);
    source.stop.stop();
    assert_eq!(next(&mut source), FeedItem::Ended);
    let state = source.link.borrow().clone();
    assert_eq!(
        (state.frames, state.dropped, state.reconnects, state.overflow_bytes),
        (4, 1, 1, 0),
        "the rest of shot 3 is no bad frame: {state:?}"
    );
    assert!(state.last_byte_us.is_some() && state.fault.is_none(), "{state:?}");
}

#[test]
fn a_server_that_is_not_there_is_an_error_at_once() {
    let (listener, spec) = serve();
    drop(listener);
    let error = open(&spec, &profile(), SourceOptions::default()).map(|_| ()).unwrap_err();
    assert!(matches!(error, StreamError::Connect { .. }), "{error}");
    assert!(error.to_string().contains("cannot connect to 127.0.0.1:"));
}

#[test]
fn a_live_link_that_nobody_reads_drops_counts_and_goes_on() {
    let (listener, spec) = serve();
    let mut source = open(&spec, &profile(), SourceOptions::default()).unwrap();
    let mut client = accept(&listener);
    client.write_all(&header_of(512)).unwrap();
    let long = |seq: u32| {
        let mut out = Vec::new();
        packet::encode_shot(seq, 10_000 * u64::from(seq), 0, Decibel::db(40.0), &[seq as i16; 512], &mut out);
        out
    };
    // Three times what the queues hold, while nobody takes anything.
    let mut sent = 0u64;
    let mut seq = 0;
    while sent < 3 * LIVE_BYTES as u64 {
        let many: Vec<u8> = (0..1000).flat_map(|n| long(seq + n)).collect();
        seq += 1000;
        client.write_all(&many).unwrap();
        sent += many.len() as u64;
    }
    std::thread::sleep(Duration::from_millis(500));
    let (mut overflow, mut shots) = (0, 0);
    let mut last = None;
    // What was held comes in order, the loss is told where it is, piece by piece, and then the stream goes on.
    while overflow <= LIVE_BYTES as u64 {
        match next(&mut source) {
            FeedItem::Overflow { bytes } => overflow += bytes,
            FeedItem::Record(Record::Shot(shot)) => {
                assert!(last.is_none_or(|last| shot.seq > last));
                last = Some(shot.seq);
                shots += 1;
            }
            _ => {}
        }
    }
    assert!(shots > 1024);
    client.write_all(&[header(), shot(u32::MAX)].concat()).unwrap();
    loop {
        if let FeedItem::Record(Record::Shot(shot)) = next(&mut source)
            && shot.seq == u32::MAX
        {
            break;
        }
    }
    let state = source.link.borrow().clone();
    assert_eq!(state.reconnects, 0);
    assert!(state.overflow_bytes >= overflow);
}

#[test]
fn a_file_is_read_whole_and_recorded_as_it_came() {
    let folder = tempfile::tempdir().unwrap();
    let (path, copy) = (folder.path().join("a.shots"), folder.path().join("copy.shots"));
    let bytes: Vec<u8> = header().into_iter().chain((0..5000).flat_map(shot)).collect();
    std::fs::write(&path, &bytes).unwrap();
    let spec = StreamSpec::File(path);
    let options = SourceOptions { pace: Pace::Max, record: Some(copy.clone()) };
    let mut source = open(&spec, &profile(), options.clone()).unwrap();
    assert!(matches!(next(&mut source), FeedItem::Up { .. }));
    assert!(is_header(&next(&mut source)));
    for seq in 0..5000 {
        assert_eq!(next_seq(&mut source), seq);
    }
    assert_eq!(next(&mut source), FeedItem::Ended);
    // The end of the feed is the end of its thread: everything is written.
    while source.feed.blocking_recv().is_some() {}
    assert_eq!(std::fs::read(&copy).unwrap(), bytes);
    let error = open(&spec, &profile(), options).map(|_| ()).unwrap_err().to_string();
    assert!(error.contains("copy.shots") && error.contains("does not exist yet"), "{error}");
}

#[test]
fn a_file_at_the_pace_of_its_device_takes_its_time_and_can_be_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.shots");
    std::fs::write(&path, header().into_iter().chain((0..1000).flat_map(shot)).collect::<Vec<u8>>()).unwrap();
    let mut source = open(&StreamSpec::File(path), &profile(), SourceOptions::default()).unwrap();
    next(&mut source);
    next(&mut source);
    let began = Instant::now();
    for seq in 0..=30 {
        assert_eq!(next_seq(&mut source), seq);
    }
    // 30 shots of 10 ms.
    assert!(began.elapsed() > Duration::from_millis(250), "{:?}", began.elapsed());
    source.stop.stop();
    let rest = std::iter::from_fn(|| Some(next(&mut source))).take_while(|item| *item != FeedItem::Ended).count();
    assert!(rest < 20, "{rest} more came after the stop");
}

#[test]
fn a_file_that_is_not_there_is_an_error() {
    let error = open(&StreamSpec::File("no/such.shots".into()), &profile(), SourceOptions::default()).map(|_| ()).unwrap_err().to_string();
    assert!(error.contains("no/such.shots") || error.contains("no\\such.shots"), "{error}");
}

#[test]
fn a_port_that_is_not_there_is_an_error_that_tells_the_ports_there_are() {
    let spec = StreamSpec::Serial { port: "no-such-port".to_owned(), baud: None };
    let error = open(&spec, &profile(), SourceOptions::default()).map(|_| ()).unwrap_err().to_string();
    assert!(error.contains("no-such-port"), "{error}");
    assert!(["there are: ", "no serial port", "does not list"].iter().any(|words| error.contains(words)), "{error}");
}

#[cfg(unix)]
mod pseudo_terminal {
    use super::*;
    use std::io::Read;
    use std::path::Path;

    struct Device {
        _pair: portable_pty::PtyPair,
        wire: Box<dyn Write + Send>,
        heard: Box<dyn Read + Send>,
    }

    /// Plugs a device in: a new pseudo-terminal, reached by the same name every time.
    fn plug_in(name: &Path) -> Device {
        let pair = portable_pty::native_pty_system().openpty(portable_pty::PtySize::default()).unwrap();
        let real = pair.master.tty_name().unwrap();
        std::os::unix::fs::symlink(real, name).unwrap();
        Device { wire: pair.master.take_writer().unwrap(), heard: pair.master.try_clone_reader().unwrap(), _pair: pair }
    }

    /// Takes its name along, as a device does: else the name would be that of the next pseudo-terminal anybody opens.
    fn unplug(device: Device, name: &Path) {
        std::fs::remove_file(name).unwrap();
        drop(device);
    }

    fn profile_with_commands() -> Profile {
        let (_, text) = Profile::shipped().next().unwrap();
        Profile::parse(
            "t.toml",
            &format!(
                "{text}\n[send]\nstart = \"GO\\n\"\nstop = \"HALT\\n\"\n[[command]]\nname = \"gain\"\nkind = \"gain\"\n\
             text = \"GAIN {{value}}\\n\"\nfrom = 0\nto = 100\ndecimals = 1\nunit = \"dB\"\n"
            ),
        )
        .unwrap()
    }

    fn hear(device: &mut Device, words: &str) {
        let mut heard = vec![0; words.len()];
        device.heard.read_exact(&mut heard).unwrap();
        assert_eq!(String::from_utf8(heard).unwrap(), words);
    }

    #[test]
    fn a_serial_device_is_started_unplugged_found_again_and_stopped() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("port");
        let mut device = plug_in(&name);
        let spec = StreamSpec::Serial { port: name.display().to_string(), baud: Some(115_200) };
        let mut source = open(&spec, &profile_with_commands(), SourceOptions::default()).unwrap();
        assert!(matches!(next(&mut source), FeedItem::Up { what } if what.ends_with("at 115200 baud")));
        hear(&mut device, "GO\n");
        // Every byte value passes, also those a terminal would take for itself.
        let bytes = [header(), shot(3), shot(4), shot(17), shot(19), shot(5)[..10].to_vec()].concat();
        for piece in bytes.chunks(7) {
            device.wire.write_all(piece).unwrap();
        }
        assert!(is_header(&next(&mut source)));
        for seq in [3, 4, 17, 19] {
            assert_eq!(next_seq(&mut source), seq);
        }
        let order = order_of(source.stop.commands(), "gain=42").unwrap();
        assert!(source.stop.send(order.clone()));
        hear(&mut device, "GAIN 42.0\n");
        assert_eq!(next(&mut source), FeedItem::Ordered { order: order.clone(), became: Ordered::Sent });

        unplug(device, &name);
        assert!(matches!(next(&mut source), FeedItem::Down { .. }));
        // What is asked for while nothing is there is not sent to whatever comes back.
        assert!(source.stop.send(order));
        std::thread::sleep(Duration::from_millis(700));
        let mut device = plug_in(&name);
        assert!(matches!(next(&mut source), FeedItem::Ordered { became: Ordered::NotSent(_), .. }));
        let FeedItem::Reconnected { attempts, down_ms } = next(&mut source) else { panic!("{:?}", source.link.borrow()) };
        assert!(attempts >= 2 && down_ms >= 600, "{attempts} attempts in {down_ms} ms");
        hear(&mut device, "GO\n");
        device.wire.write_all(&[shot(6)[5..].to_vec(), shot(7)].concat()).unwrap();
        assert_eq!(next_seq(&mut source), 7);

        source.stop.stop();
        hear(&mut device, "HALT\n");
        assert_eq!(next(&mut source), FeedItem::Ended);
        assert_eq!(source.link.borrow().reconnects, 1);
    }

    fn next_gauge(source: &mut Source) -> (u32, Option<i32>, Option<f64>) {
        let FeedItem::Record(Record::Gauge(gauge)) = next(source) else { panic!("{:?}", source.link.borrow()) };
        let GaugeValue::Thickness(thickness) = gauge.value else { panic!("{gauge:?}") };
        (gauge.seq, gauge.encoder, thickness.map(backwall_units::Length::as_mm))
    }

    #[test]
    fn lines_of_text_are_read_from_a_serial_port_from_the_first_one_on() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("port");
        let mut device = plug_in(&name);
        let spec = StreamSpec::Serial { port: name.display().to_string(), baud: None };
        let mut source = open(&spec, &Profile::load("delimited-text").unwrap(), SourceOptions::default()).unwrap();
        assert!(matches!(next(&mut source), FeedItem::Up { .. }));
        for piece in b"17;1000;0;9.0\r\n18;1010;40;9.1\r\n19;1020;80;-\r\n".chunks(5) {
            device.wire.write_all(piece).unwrap();
        }
        let read = [next_gauge(&mut source), next_gauge(&mut source), next_gauge(&mut source)];
        assert_eq!(read, [(17, Some(0), Some(9.0)), (18, Some(40), Some(9.1)), (19, Some(80), None)]);
        source.stop.stop();
        assert_eq!(next(&mut source), FeedItem::Ended);
    }

    // Nothing proves that the first answer is not the end of a longer one: it has no number.
    #[test]
    fn a_serial_device_that_only_answers_is_asked_again_and_again() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("port");
        let mut device = plug_in(&name);
        let text = "name = \"t\"\n[framing]\nkind = \"line\"\n[poll]\nrequests = [\"MEAS?\\n\"]\nperiod_ms = 5\ntimeout_ms = 5000\n[[record]]\nkind = \"gauge\"\n\
            delimiter = \";\"\ncolumns = 2\nfields = [{ meaning = \"thickness\", column = 1, unit = \"mm\" }, { meaning = \"encoder\", column = 2 }]\n";
        let spec = StreamSpec::Serial { port: name.display().to_string(), baud: None };
        let mut source = open(&spec, &Profile::parse("t.toml", text).unwrap(), SourceOptions::default()).unwrap();
        assert!(matches!(next(&mut source), FeedItem::Up { .. }));
        for asked in 0..4 {
            hear(&mut device, "MEAS?\n");
            device.wire.write_all(format!("{};{}\n", 9 + asked, asked * 40).as_bytes()).unwrap();
        }
        let read = [next_gauge(&mut source), next_gauge(&mut source), next_gauge(&mut source)];
        assert_eq!(read, [(0, Some(40), Some(10.0)), (1, Some(80), Some(11.0)), (2, Some(120), Some(12.0))]);
        source.stop.stop();
    }

    #[test]
    fn what_piled_up_in_a_port_before_it_was_opened_is_thrown_away() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("port");
        let mut device = plug_in(&name);
        // Another program used the port before us and left it open; what came meanwhile waits in it.
        let _left_open = std::fs::File::open(&name).unwrap();
        let mut held = serialport::new(name.display().to_string(), 115_200).open_native().unwrap();
        held.set_exclusive(false).unwrap();
        device.wire.write_all(&[header(), shot(1), shot(2)].concat()).unwrap();
        std::thread::sleep(Duration::from_millis(100));
        assert!(serialport::SerialPort::bytes_to_read(&held).unwrap() > 0, "nothing piled up");
        drop(held);
        let spec = StreamSpec::Serial { port: name.display().to_string(), baud: Some(115_200) };
        let mut source = open(&spec, &profile_with_commands(), SourceOptions::default()).unwrap();
        hear(&mut device, "GO\n");
        device.wire.write_all(&[header(), shot(7)].concat()).unwrap();
        assert!(matches!(next(&mut source), FeedItem::Up { .. }));
        assert!(is_header(&next(&mut source)));
        assert_eq!(next_seq(&mut source), 7);
        assert_eq!(source.link.borrow().dropped, 0);
    }

    #[test]
    fn bytes_that_fit_no_frame_are_said_within_two_seconds_and_no_longer_when_they_fit() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("port");
        let mut device = plug_in(&name);
        let spec = StreamSpec::Serial { port: name.display().to_string(), baud: Some(115_200) };
        let mut source = open(&spec, &profile_with_commands(), SourceOptions::default()).unwrap();
        assert!(matches!(next(&mut source), FeedItem::Up { .. }));
        hear(&mut device, "GO\n");
        let began = Instant::now();
        device.wire.write_all(b"12.5 mm\r\n").unwrap();
        let FeedItem::Unreadable { words } = next(&mut source) else { panic!("{:?}", source.link.borrow()) };
        assert!(began.elapsed() < Duration::from_secs(2), "{:?}", began.elapsed());
        assert_eq!(words, "bytes arrive, but none fit the profile open-packet: wrong profile? wrong baud rate?");
        assert_eq!(source.link.borrow().fault.as_ref(), Some(&words));
        device.wire.write_all(&[vec![0], header(), shot(1), shot(2)].concat()).unwrap();
        assert!(is_header(&next(&mut source)));
        assert_eq!((next_seq(&mut source), next_seq(&mut source)), (1, 2));
        let limit = Instant::now() + Duration::from_secs(5);
        while source.link.borrow().fault.is_some() {
            assert!(Instant::now() < limit, "{:?}", source.link.borrow());
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

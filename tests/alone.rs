//! A port that vanished must not keep a processor busy until it comes back. Alone in its process: it reads the
//! processor time of the reader's thread, and no other reader may run beside it.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used)]

use backwall_stream::{FeedItem, Profile, SourceOptions, StreamSpec, open};
use std::time::Duration;

/// Processor time of the thread that reads, from /proc/self/task/*/stat, fields 14 and 15 (proc(5)).
fn reader_ticks() -> u64 {
    let stats: Vec<String> = std::fs::read_dir("/proc/self/task")
        .unwrap()
        .filter_map(|task| std::fs::read_to_string(task.ok()?.path().join("stat")).ok())
        .filter(|stat| stat.contains("(stream-reader)"))
        .collect();
    assert_eq!(stats.len(), 1, "one reader runs");
    stats[0].rsplit(')').next().unwrap().split_whitespace().skip(11).take(2).map(|ticks| ticks.parse::<u64>().unwrap()).sum()
}

#[test]
fn an_unplugged_device_costs_no_processor_time() {
    let pair = portable_pty::native_pty_system().openpty(portable_pty::PtySize::default()).unwrap();
    let port = pair.master.tty_name().unwrap().display().to_string();
    let spec = StreamSpec::Serial { port, baud: None };
    let mut source = open(&spec, &Profile::load("open-packet").unwrap(), SourceOptions::default()).unwrap();
    assert!(matches!(source.feed.blocking_recv().unwrap().item, FeedItem::Up { .. }));
    drop(pair);
    assert!(matches!(source.feed.blocking_recv().unwrap().item, FeedItem::Down { .. }));
    let before = reader_ticks();
    std::thread::sleep(Duration::from_secs(2));
    let used = reader_ticks() - before;
    // 100 ticks are a second of one processor (USER_HZ of Linux).
    assert!(used <= 5, "{used} ticks in two seconds");
}

//! (contract; the stream branch replaces this)
use super::profile::Profile;
use super::spec::{Pace, StreamSpec};
use crate::reading::Record;
use std::path::PathBuf;
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LinkState {
    pub up: bool,
    pub what: String,
    pub bytes: u64,
    pub frames: u64,
    pub dropped: u64,
    pub unknown: u64,
    pub before_header: u64,
    pub garbage_bytes: u64,
    pub reconnects: u64,
    pub overflow_bytes: u64,
    pub last_byte_us: Option<i64>,
    pub rate_hz: f64,
    pub fault: Option<String>,
}
pub struct Feed { pub item: FeedItem, pub host_time_us: i64 }
pub enum FeedItem { Record(Record), Up{what:String}, Down{why:String}, Reconnected{attempts:u32, down_ms:u64}, Overflow{bytes:u64}, Ended }
pub struct SourceOptions{ pub pace:Pace, pub record: Option<PathBuf> }
#[derive(Debug, thiserror::Error)]
#[error("x")]
pub struct StreamError;
pub struct Source{ pub feed: tokio::sync::mpsc::Receiver<Feed>, pub link: tokio::sync::watch::Receiver<LinkState> }
impl Source { pub fn stop(&mut self) {} }
pub fn open(_: &StreamSpec, _: &Profile, _: SourceOptions) -> Result<Source, StreamError> { todo!() }

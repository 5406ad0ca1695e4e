//! (contract; the stream branch replaces this)
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

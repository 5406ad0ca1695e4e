//! Opening a stream while somebody may lose patience: a device that does not answer holds up a thread of its own and
//! nobody else, and whoever waits for it can stop waiting at any moment.

use backwall_stream::feed::{self, Source, SourceOptions, StreamError};
use backwall_stream::profile::Profile;
use backwall_stream::spec::StreamSpec;
use std::fmt;
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// How soon it is seen that nobody waits any more.
const LOOK: Duration = Duration::from_millis(10);

type Tell = Box<dyn Fn(String) + Send>;

/// One attempt to open something: it can be stopped from outside, and says what it is waiting for.
#[derive(Clone, Default)]
pub struct Connecting {
    stopped: Arc<AtomicBool>,
    tell: Option<Arc<Mutex<Tell>>>,
}

impl fmt::Debug for Connecting {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "Connecting {{ stopped: {} }}", self.is_stopped())
    }
}

impl Connecting {
    /// `tell` hears what is being waited for.
    pub fn telling(tell: impl Fn(String) + Send + 'static) -> Self {
        Self { stopped: Arc::default(), tell: Some(Arc::new(Mutex::new(Box::new(tell)))) }
    }

    pub fn stop(&self) {
        self.stopped.store(true, Ordering::SeqCst);
    }

    pub fn is_stopped(&self) -> bool {
        self.stopped.load(Ordering::SeqCst)
    }

    /// Says what is being waited for.
    pub fn waits_for(&self, what: impl Into<String>) {
        if let Some(tell) = &self.tell {
            tell.lock().unwrap_or_else(PoisonError::into_inner)(what.into());
        }
    }
}

#[derive(Debug, thiserror::Error)]
pub enum ConnectError {
    #[error(transparent)]
    Stream(#[from] StreamError),
    #[error("connecting was stopped; nothing was recorded")]
    Stopped,
    #[error("no thread could be started to open the stream: {0}")]
    Thread(#[from] io::Error),
}

/// Opens a stream. Must be called where a tokio runtime is entered.
pub fn connect(spec: &StreamSpec, profile: &Profile, options: SourceOptions, connecting: &Connecting) -> Result<Source, ConnectError> {
    let sources = connect_side_by_side(spec, std::slice::from_ref(profile), options, connecting)?;
    sources.into_iter().next().ok_or_else(|| ConnectError::Thread(io::Error::other("no profile")))
}

/// The same for several channels of it, each by its own profile.
pub fn connect_side_by_side(
    spec: &StreamSpec,
    profiles: &[Profile],
    options: SourceOptions,
    connecting: &Connecting,
) -> Result<Vec<Source>, ConnectError> {
    if connecting.is_stopped() {
        return Err(ConnectError::Stopped);
    }
    if !spec.is_live() {
        return Ok(feed::open_side_by_side(spec, profiles, options)?);
    }
    connecting.waits_for(format!("connecting to {spec}"));
    let runtime = tokio::runtime::Handle::current();
    let (opened, waited) = channel();
    let (spec, profiles) = (spec.clone(), profiles.to_vec());
    let work = move || {
        let _entered = runtime.enter();
        // Nobody may be waiting any more: then the source is dropped here, and the line let go of.
        if let Err(unwanted) = opened.send(feed::open_side_by_side(&spec, &profiles, options))
            && let Ok(sources) = unwanted.0
        {
            stop(&sources);
        }
    };
    std::thread::Builder::new().name("connect".to_owned()).spawn(work)?;
    loop {
        match waited.recv_timeout(LOOK) {
            Ok(sources) if connecting.is_stopped() => {
                if let Ok(sources) = sources {
                    stop(&sources);
                }
                return Err(ConnectError::Stopped);
            }
            Ok(sources) => return Ok(sources?),
            Err(RecvTimeoutError::Timeout) if !connecting.is_stopped() => {}
            Err(RecvTimeoutError::Timeout) => return Err(ConnectError::Stopped),
            Err(RecvTimeoutError::Disconnected) => {
                return Err(ConnectError::Thread(io::Error::other("the thread that opened it broke off")));
            }
        }
    }
}

fn stop(sources: &[Source]) {
    sources.iter().for_each(|source| source.stop.stop());
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Instant;

    #[tokio::test(flavor = "multi_thread")]
    async fn waiting_for_a_device_that_does_not_answer_can_be_stopped() {
        // An address of the kind kept for documentation: nothing answers there.
        let spec: StreamSpec = "tcp:192.0.2.1:9".parse().unwrap();
        let profile = Profile::load("open-packet").unwrap();
        let connecting = Connecting::default();
        let stop = connecting.clone();
        std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(50));
            stop.stop();
        });
        let options = SourceOptions { pace: backwall_stream::spec::Pace::Device, record: None };
        let began = Instant::now();
        let failed = tokio::task::block_in_place(|| connect(&spec, &profile, options, &connecting)).err();
        // Where there is no network at all, the system refuses at once.
        assert!(matches!(failed, Some(ConnectError::Stopped | ConnectError::Stream(_))), "{failed:?}");
        assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
    }
}

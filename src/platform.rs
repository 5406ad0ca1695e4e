//! What differs between operating systems, in one place.

/// Waits until the system asks this program to end; says what it was told.
#[cfg(unix)]
pub async fn asked_to_end() -> &'static str {
    use tokio::signal::unix::{SignalKind, signal};
    let listen = |kind| signal(kind).ok();
    let (mut term, mut hangup, mut interrupt) =
        (listen(SignalKind::terminate()), listen(SignalKind::hangup()), listen(SignalKind::interrupt()));
    async fn next(signal: &mut Option<tokio::signal::unix::Signal>) {
        match signal {
            Some(signal) => {
                signal.recv().await;
            }
            // A signal that cannot be listened for never comes.
            None => std::future::pending().await,
        }
    }
    tokio::select! {
        () = next(&mut term) => "SIGTERM",
        () = next(&mut hangup) => "SIGHUP: the terminal went away",
        () = next(&mut interrupt) => "interrupted",
    }
}

/// Waits until the system asks this program to end; says what it was told.
#[cfg(windows)]
pub async fn asked_to_end() -> &'static str {
    use tokio::signal::windows;
    let (Ok(mut c), Ok(mut brk), Ok(mut close), Ok(mut logoff), Ok(mut shutdown)) =
        (windows::ctrl_c(), windows::ctrl_break(), windows::ctrl_close(), windows::ctrl_logoff(), windows::ctrl_shutdown())
    else {
        return std::future::pending().await;
    };
    tokio::select! {
        _ = c.recv() => "interrupted",
        _ = brk.recv() => "interrupted",
        _ = close.recv() => "the console window was closed",
        _ = logoff.recv() => "the user logged off",
        _ = shutdown.recv() => "the computer is shutting down",
    }
}

/// Whether the terminal the screen is drawn on is still there: on Unix a terminal that hung up is no terminal any
/// more, on Windows a closed console has no mode.
pub fn terminal_is_there() -> bool {
    use std::io::IsTerminal;
    std::io::stdout().is_terminal()
}

/// Whether the screen is drawn on from another machine, over a link that may be slow.
pub fn terminal_is_elsewhere() -> bool {
    ["SSH_CONNECTION", "SSH_TTY"].iter().any(|name| std::env::var_os(name).is_some())
}

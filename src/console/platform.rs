//! What differs between operating systems: the signals that mean "end now".

/// Waits until the system tells the program to end; says why. Each call listens anew.
#[cfg(unix)]
pub async fn told_to_end() -> &'static str {
    use tokio::signal::unix::{SignalKind, signal};
    let listen = |kind| signal(kind).ok();
    let (mut terminate, mut hangup, mut interrupt) =
        (listen(SignalKind::terminate()), listen(SignalKind::hangup()), listen(SignalKind::interrupt()));
    async fn next(signal: &mut Option<tokio::signal::unix::Signal>) {
        let came = match signal {
            Some(signal) => signal.recv().await.is_some(),
            None => false,
        };
        // A signal that cannot be listened to never comes; the others still do.
        if !came {
            std::future::pending::<()>().await;
        }
    }
    tokio::select! {
        () = next(&mut terminate) => "SIGTERM",
        () = next(&mut hangup) => "SIGHUP: the terminal went away",
        () = next(&mut interrupt) => "SIGINT",
    }
}

#[cfg(windows)]
pub async fn told_to_end() -> &'static str {
    use tokio::signal::windows;
    macro_rules! next {
        ($listen:expr) => {
            async {
                let came = match $listen {
                    Ok(mut signal) => signal.recv().await.is_some(),
                    Err(_) => false,
                };
                if !came {
                    std::future::pending::<()>().await;
                }
            }
        };
    }
    tokio::select! {
        () = next!(windows::ctrl_c()) => "Ctrl-C",
        () = next!(windows::ctrl_break()) => "Ctrl-Break",
        () = next!(windows::ctrl_close()) => "the console window was closed",
        () = next!(windows::ctrl_logoff()) => "the user logged off",
        () = next!(windows::ctrl_shutdown()) => "the computer shuts down",
    }
}

/// Whether the terminal the screen is drawn on is still there: on Unix a terminal that hung up is no terminal any
/// more, on Windows a closed console has no mode.
pub fn terminal_is_there() -> bool {
    use std::io::IsTerminal;
    std::io::stdout().is_terminal()
}

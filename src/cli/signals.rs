//! What a signal does to a screen that no drive stands behind: it ends, and the terminal is given back.

use std::io;
use std::thread;

use anyhow::Context as _;
use tokio::signal::unix::{Signal, SignalKind, signal};

use crate::screen::Control;

/// From now on the signals that ask a program to end stop the screen that `control` reaches. The thread that waits for
/// them ends with the process.
pub fn stop(control: Control) -> anyhow::Result<()> {
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().context("cannot wait for signals")?;
    let signals = {
        let _within = runtime.enter();
        listen().context("cannot listen for signals")?
    };
    thread::Builder::new()
        .name("signals".into())
        .spawn(move || {
            runtime.block_on(any(signals));
            control.stop();
        })
        .context("cannot start the thread that waits for signals")?;
    Ok(())
}

fn listen() -> io::Result<[Signal; 3]> {
    Ok([signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?, signal(SignalKind::hangup())?])
}

async fn any([mut terminate, mut interrupt, mut hangup]: [Signal; 3]) {
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
        _ = hangup.recv() => {}
    }
}

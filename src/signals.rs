//! The signals that ask a program to end: terminate, interrupt, hang up.
//!
//! Owns which these are and how one waits for them. From [`Signals::listen`] on the system no longer ends the program by
//! any of them, so whoever takes a terminal or begins a recording listens first and gives everything back when
//! [`Signals::any`] returns. Decides nothing about how a program ends.

use std::io;
use std::thread;

use tokio::runtime::{Builder, Runtime};
use tokio::signal::unix::{Signal, SignalKind, signal};

/// All that ask a program to end. One that came before anybody waits is not lost.
#[derive(Debug)]
pub struct Signals([Signal; 3]);

impl Signals {
    /// Listens from now on, by the means of `runtime`, within which [`Signals::any`] must then be awaited.
    pub fn listen(runtime: &Runtime) -> io::Result<Self> {
        let _within = runtime.enter();
        let [terminate, interrupt, hangup] =
            [SignalKind::terminate(), SignalKind::interrupt(), SignalKind::hangup()].map(signal);
        Ok(Self([terminate?, interrupt?, hangup?]))
    }

    /// Returns when one of them has come.
    pub async fn any(&mut self) {
        let [terminate, interrupt, hangup] = &mut self.0;
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
            _ = hangup.recv() => {}
        }
    }
}

/// Listens from now on, and runs `then` when the first signal has come. For a program without tasks of its own: the
/// thread that waits ends with the process.
pub fn at_the_first(then: impl FnOnce() + Send + 'static) -> io::Result<()> {
    let runtime = Builder::new_current_thread().enable_all().build()?;
    let mut signals = Signals::listen(&runtime)?;
    thread::Builder::new().name("signals".into()).spawn(move || {
        runtime.block_on(signals.any());
        then();
    })?;
    Ok(())
}

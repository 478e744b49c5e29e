//! A simulated controller on a pseudo-terminal, so that a rehearsal takes the very way of a real drive.

use std::io;
use std::path::Path;
use std::time::Duration;

use tokio::sync::watch;

use crate::controller::Simulated;
use crate::link::pty::{Pty, Tried};
use crate::time::system::Clock;
use crate::wire::COMMAND_MAX;

/// How often the simulated controller is let go on.
const STEP: Duration = Duration::from_millis(5);

/// A simulated controller with its end of a pseudo-terminal.
#[derive(Debug)]
pub struct Rehearsal {
    controller: Simulated,
    pty: Pty,
    /// The beginning of a command whose end has not come.
    begun: Vec<u8>,
}

impl Rehearsal {
    /// Makes the pseudo-terminal.
    pub fn new(controller: Simulated) -> io::Result<Self> {
        Ok(Self { controller, pty: Pty::new()?, begun: Vec::new() })
    }

    /// The node that stands for the controller's serial port.
    pub fn device(&self) -> &Path {
        self.pty.slave()
    }

    /// Lets the controller live in real time until `stop`.
    pub async fn run(mut self, clock: Clock, mut stop: watch::Receiver<bool>) {
        let mut step = tokio::time::interval(STEP);
        let mut out = Vec::new();
        loop {
            tokio::select! {
                _ = step.tick() => {}
                _ = stop.changed() => return,
            }
            self.controller.advance(clock.now().0, &mut out);
            self.hear(&mut out);
            if !out.is_empty() {
                // A line that nobody reads is lost, as on a real wire.
                let _ = self.pty.try_write(&out);
                out.clear();
            }
        }
    }

    /// Takes what the computer sent.
    fn hear(&mut self, out: &mut Vec<u8>) {
        let mut buffer = [0; 256];
        while let Ok(Tried::Bytes(count @ 1..)) = self.pty.try_read(&mut buffer) {
            for &byte in &buffer[..count] {
                if byte == b'\n' {
                    self.controller.command(&self.begun, out);
                    self.begun.clear();
                } else if self.begun.len() < COMMAND_MAX {
                    self.begun.push(byte);
                }
            }
        }
    }
}

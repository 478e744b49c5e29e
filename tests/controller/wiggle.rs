//! `wiggle` against the firmware on the simulated chip: its rate is raised and given back, and a short wire is seen.

use rustix::process::Signal;

use super::live::{Live, Seat, head};

#[test]
fn the_firmware_goes_up_to_two_hundred_readings_and_back_again() {
    let mut live = Live::start("0 analog 1 3000\n");
    let config = format!(
        "{}[channel.wish]\nlabel = \"Wish\"\ninput = \"a1\"\nunit = \"V\"\n",
        head(live.port.to_str().unwrap())
    );
    let mut seat = Seat::new(&config);
    seat.wiggle();
    live.until("the highest rate", |event| event.contains("\"rate_hz\":200"));
    live.readings(300);
    // The wire to ground for some readings, as long as two of them take to be told of.
    live.now("analog 1 0");
    live.readings(2);
    live.now("analog 1 3000");
    seat.until_seen("W I S H");
    seat.until_seen("a1: 1 dropout, shortest");
    assert_eq!(seat.end(Signal::TERM), Some(0));
    live.until("the rate before", |event| event.contains("\"rate_hz\":50"));
}

//! A wire that holds an output's pin: the firmware tells what the pin does, and `drive` says that it does not follow.

use rstest::rstest;
use rustix::process::Signal;

use super::live::{Live, Seat, head};

/// Three outputs that are on while a1 is above 1 V: a lamp, a tachometer at 100 Hz, a needle at a quarter.
fn config(device: &str) -> String {
    format!(
        r#"{}[channel.wish]
input = "a1"
unit = "V"
span = [0, 5]
[output.lamp]
pin = "d7"
on = "wish > 1"
armed = true
[output.tachometer]
pin = "f9"
from = "wish"
points = [[0, "100 Hz"], [5, "100 Hz"]]
armed = true
[output.needle]
pin = "w6"
from = "wish"
points = [[0, "25 %"], [5, "25 %"]]
armed = true
[[page]]
name = "Bench"
rows = [[{{ show = "wish", as = "digits" }}]]
"#,
        head(device)
    )
}

#[rstest]
#[case::lamp_to_ground("short 7 0", "pin d7 does not follow")]
#[case::tachometer_to_ground("short 9 0", "pin f9 does not follow")]
#[case::tachometer_to_supply("short 9 1", "pin f9 does not follow")]
#[case::needle_to_ground("short 6 0", "pin w6 does not follow")]
#[case::needle_to_supply("short 6 1", "pin w6 does not follow")]
fn a_pin_that_a_wire_holds_is_an_alarm_and_no_other_is(#[case] wire: &str, #[case] alarm: &str) {
    let mut live = Live::start("0 analog 1 3000\n");
    let mut seat = Seat::new(&config(live.port.to_str().unwrap()));
    seat.drive();
    live.until("all outputs on", |event| {
        event.contains("\"d7\":1") && event.contains("\"f9\":100000") && event.contains("\"w6\":250")
    });
    // Over the second after which a pin that reports something else would be an alarm.
    live.readings(70);
    assert!(!seat.said().contains("does not follow"), "{}", seat.said());
    live.now(wire);
    seat.until_said(alarm);
    live.readings(70);
    assert_eq!(seat.end(Signal::TERM), Some(0));
    // It may be told again as worse, where the pin is high although it was set to rest.
    let said = seat.said();
    assert_eq!(said.matches("does not follow").count(), said.matches(alarm).count(), "{said}");
}

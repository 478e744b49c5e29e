//! The whole way: voltages and pulses on the simulated chip's pins → its firmware → a pseudo-terminal → `drive` → its
//! recording → `export`. The values are those of the stimulus.

use rustix::process::Signal;

use super::live::{Live, Seat, head};

/// 0.5 V to 4.5 V are 0 to 8 bar; 12 pulses a revolution.
fn config(device: &str) -> String {
    format!(
        r#"{}[channel.oil]
input = "a1"
sensor = {{ kind = "linear", from = ["0.5 V", "4.5 V"], to = ["0 bar", "8 bar"], ratiometric = "5 V" }}
unit = "bar"
span = [0, 8]
[channel.engine]
input = "p2"
sensor = {{ kind = "pulses", count = 12, per = "rev" }}
unit = "1/min"
span = [0, 3000]
[channel.supply]
input = "vcc"
unit = "V"
span = [4, 6]
[channel.door]
input = "d4"
sensor = {{ kind = "switch", on = 0, words = ["shut", "open"] }}
[[page]]
name = "Bench"
rows = [[{{ show = "oil", as = "digits" }}]]
"#,
        head(device)
    )
}

/// What lies on the pins, and what it must come to: oil in bar, engine in 1/min, supply in V, door.
struct Stage {
    pins: [&'static str; 4],
    values: [f64; 4],
}

const STAGES: [Stage; 3] = [
    // 2.5 V of 5 V: half way. 100 Hz / 12 * 60.
    Stage { pins: ["supply 5000", "analog 1 2500", "square 2 100", "level 4 1"], values: [4.0, 500.0, 5.0, 0.0] },
    // 3.5 V of 5 V. 400 Hz / 12 * 60.
    Stage { pins: ["supply 5000", "analog 1 3500", "square 2 400", "level 4 0"], values: [6.0, 2_000.0, 5.0, 1.0] },
    // The same share of a supply that sank: the sensor gives a share of it, so the pressure is the same.
    Stage { pins: ["supply 4600", "analog 1 3220", "square 2 250", "level 4 1"], values: [6.0, 1_250.0, 4.6, 0.0] },
];

#[test]
fn what_is_exported_is_what_lay_on_the_pins() {
    let script = STAGES[0].pins.map(|pin| format!("0 {pin}\n")).concat();
    let mut live = Live::start(&script);
    let mut seat = Seat::new(&config(live.port.to_str().unwrap()));
    seat.drive();
    seat.until_said("recording drive 1");
    live.readings(60);
    for stage in &STAGES[1..] {
        for pin in stage.pins {
            live.now(pin);
        }
        live.readings(60);
    }
    assert_eq!(seat.end(Signal::TERM), Some(0), "{}", seat.said());
    let recording = recording_of(&seat);
    let (status, rows, told) = seat.run(&["export", &recording]);
    assert_eq!(status, Some(0), "{told}");
    assert!(told.contains("; 0 lost, 0 controller restarts"), "{told}");
    check(&rows);
}

/// The one recording below the seat's folder.
#[track_caller]
fn recording_of(seat: &Seat) -> String {
    let mut open = vec![seat.path("data")];
    while let Some(folder) = open.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else if path.to_string_lossy().contains(".kpr") {
                return path.to_str().unwrap().to_owned();
            }
        }
    }
    panic!("no recording; drive said: {}", seat.said());
}

/// Each row is one of the stages, in their order, but for a few that lie on a change.
#[track_caller]
fn check(rows: &str) {
    let mut lines = rows.lines();
    assert_eq!(lines.next().unwrap(), "time_s,oil [bar],engine [1/min],supply [V],door");
    let rows: Vec<Vec<f64>> =
        lines.map(|row| row.split(',').map(|cell| cell.parse().unwrap_or(f64::NAN)).collect()).collect();
    assert!(rows.len() > 160, "{} rows", rows.len());
    for pair in rows.windows(2) {
        let step = pair[1][0] - pair[0][0];
        assert!((0.015..0.025).contains(&step), "{step} s from one reading to the next at {}", pair[0][0]);
    }
    let mut counts = [0; STAGES.len()];
    let mut stage = 0;
    for row in &rows {
        if stage + 1 < STAGES.len() && is_of(row, &STAGES[stage + 1]) {
            stage += 1;
        }
        counts[stage] += usize::from(is_of(row, &STAGES[stage]));
    }
    assert!(counts.iter().all(|count| *count >= 40), "{counts:?} rows of each stage, of {}", rows.len());
    // The first line of a run knows no frequency yet, and each change takes the converter's round and an edge to show.
    let between = rows.len() - counts.iter().sum::<usize>();
    assert!(between <= 20, "{between} rows are of no stage: {rows:?}");
}

/// Within two counts of the converter and a thousandth of the frequency.
fn is_of(row: &[f64], stage: &Stage) -> bool {
    let most = [8.0 / 819.2 * 2.0, stage.values[1] / 1_000.0, 0.03, 0.0];
    row[1..].iter().zip(stage.values).zip(most).all(|((is, should), most)| (is - should).abs() <= most)
}

//! Garbage to the controller: noise, and real commands that were damaged on the way. Nothing switches.

use kickpanel::wire::checksum;

use super::play::{Play, Random, SECOND, Told, set, signed};

/// A count from the environment, for long runs by hand.
fn count(variable: &str, usual: u64) -> u64 {
    std::env::var(variable).map_or(usual, |text| text.parse().expect("a whole number"))
}

/// Nothing moved until `end`, then a good command was obeyed; no line is missing.
#[track_caller]
fn nothing_moved(told: &Told, end: u64) {
    let moved: Vec<_> = told.of_outputs().into_iter().filter(|(at, _, _)| *at < end).collect();
    assert_eq!(moved, []);
    assert_eq!(told.of_pin(7).len(), 1, "a good command afterwards is obeyed");
    assert_eq!(told.resets.len(), 1, "it did not restart");
    told.heard();
}

#[test]
fn random_bytes_switch_nothing() {
    let bytes = count("KICKPANEL_RANDOM_BYTES", 1_000_000);
    // 20 us a byte at 500,000 baud.
    let end = SECOND + bytes * 20 + 100_000;
    let told = Play::new()
        .at(SECOND, &format!("garbage 20251125 {bytes}"))
        .raw(end, b"\n")
        .command(end + 1_000, &set(r#""d7":1"#, 5_000))
        .until(end + SECOND);
    nothing_moved(&told, end);
}

/// A command as the computer sends it.
fn command(random: &mut Random) -> Vec<u8> {
    let members = [
        format!("\"d7\":{}", random.below(2)),
        format!("\"d12\":{}", random.below(2)),
        format!("\"f9\":{}", 1_000 + random.below(4_999_000)),
        format!("\"w6\":{}", random.below(1_001)),
    ];
    let first = random.below(4);
    let chosen = members[first..=first + random.below(4 - first)].join(",");
    signed(&set(&chosen, 10 + random.below(4_991) as u64)).into_bytes()
}

/// One of seven ways of damage.
fn damage(line: &mut Vec<u8>, random: &mut Random) {
    let place = random.below(line.len() - 1);
    match random.below(7) {
        0 => line[place] ^= 1 << random.below(8),
        1 => drop(line.remove(place)),
        2 => line.insert(place, random.next() as u8),
        3 => {
            let digits: Vec<_> = (0..line.len()).filter(|&place| line[place].is_ascii_digit()).collect();
            let place = digits[random.below(digits.len())];
            line[place] = b'0' + (line[place] - b'0' + 1 + random.below(9) as u8) % 10;
        }
        4 => {
            let end = (place + 2 + random.below(6)).min(line.len() - 1);
            line[place..end].iter_mut().for_each(|byte| *byte ^= random.next() as u8);
        }
        5 => {
            // Two lines cut and put together, as lost bytes do.
            let other = command(random);
            line.truncate(place);
            line.extend(&other[random.below(other.len() - 1)..]);
        }
        _ => {
            let neighbour = (place + 1).min(line.len() - 2);
            line.swap(place, neighbour);
        }
    }
}

/// Whether `line` carries a checksum that is right: then it is no damage that could be seen.
fn looks_right(line: &[u8]) -> bool {
    line.split(|&byte| byte == b'\n').filter(|line| line.len() > 14).any(|line| {
        let (head, trailer) = line.split_at(line.len() - 14);
        trailer == format!(",\"crc\":\"{:04X}\"}}", checksum(head)).as_bytes()
    })
}

#[test]
fn damaged_commands_switch_nothing() {
    let lines = count("KICKPANEL_DAMAGED_LINES", 100_000);
    let mut random = Random(0x9E37_79B9_7F4A_7C15);
    let (mut play, mut at, mut left_out) = (Play::new(), SECOND, 0);
    for _ in 0..lines {
        let mut line = command(&mut random);
        damage(&mut line, &mut random);
        if looks_right(&line) {
            left_out += 1;
            continue;
        }
        play.add(at, &super::play::serial(&line));
        // One after the other without a pause, 20 us a byte.
        at += 20 * line.len() as u64;
    }
    println!("{lines} damaged commands, of which {left_out} had a right checksum all the same and were left out");
    // Two neighbours that were swapped and alike, or a splice at the same place: seldom, and known.
    assert!(left_out < lines / 20);
    let end = at + 100_000;
    let told = play.raw(end, b"\n").command(end + 1_000, &set(r#""d7":1"#, 5_000)).until(end + SECOND);
    nothing_moved(&told, end);
}

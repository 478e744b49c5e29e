//! `list --alarms`: measures over recordings, as a table and as JSON, and another config on an old drive.

use serde_json::Value;

use super::bench::Bench;

#[test]
fn a_kept_drive_is_measured_and_each_measure_has_its_limit_and_source_beside_it() {
    let bench = Bench::new();
    bench.run(&["demo", "filter", "--seed", "7", "--write", "drive.kpr", "--minutes", "2"]).done();
    let table = bench.run(&["list", "--alarms", "drive.kpr"]).done();
    let head: Vec<&str> = table.lines().take(4).collect();
    assert_eq!(head[0], "2 alarms in 2 min of 1 drive.");
    assert_eq!(head[2].split_whitespace().collect::<Vec<_>>(), ["MEASURE", "HERE", "WANTED", "BY"]);
    assert!(head[3].contains("alarms in 10 min, on average") && head[3].ends_with("ISA-18.2-2016 table 5; HSE CHIS6"));
    let json: Value = serde_json::from_str(&bench.run(&["list", "--alarms", "--json", "drive.kpr"]).done()).unwrap();
    assert_eq!(json["most_frequent"][0]["on"], "feed");
    assert_eq!((&json["alarms"], &json["drives"]), (&2.into(), &1.into()));
    assert_eq!(json["measures"].as_array().unwrap().len(), 10);
}

#[test]
fn another_config_on_the_same_drive_shows_what_it_would_have_done() {
    let bench = Bench::new();
    let lorry = include_str!("../../../config/hill-lorry.toml");
    bench.run(&["demo", "healthy", "--write", "drive.kpr", "--minutes", "3"]).done();
    let nags = "\n[[channel.rpm.alarm]]\nlevel = \"caution\"\nabove = 1500\ndeadband = 1\nafter = \"0 s\"\nuntil = \"0 s\"\ntext = \"Much too fast\"\n";
    bench.write("nags.toml", format!("{lorry}{nags}"));
    let quiet = bench.run(&["list", "--alarms", "drive.kpr"]).done();
    assert!(quiet.starts_with("0 alarms in 3 min of 1 drive."), "{quiet}");
    let loud = bench.run(&["-c", "nags.toml", "list", "--alarms", "drive.kpr"]).done();
    assert!(loud.contains("rpm") && loud.contains("To quiet it:"), "{loud}");
}

#[test]
fn without_what_is_to_be_listed_it_is_wrong_usage() {
    let bench = Bench::new();
    assert_eq!(bench.run(&["list", "drive.kpr"]).status, Some(2));
}

#[test]
fn what_cannot_be_read_is_told_and_ends_with_3() {
    let bench = Bench::new();
    bench
        .run(&["list", "--alarms", "nowhere.kpr"])
        .refused(3, "kickpanel: nowhere.kpr: there is no such file or folder; check the name\n");
}

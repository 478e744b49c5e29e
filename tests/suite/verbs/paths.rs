//! G5 of the catalogue of faults: names that are paths, options or commands make no file outside the folder.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Stdio;

use kickpanel::wire::seal;
use rustix::process::Signal;

use super::bench::{Bench, Running, until};
use super::board::{Board, CHANNEL, FOUR_BAR};

/// Stands in every name that could become a file of its own, so that one that strayed is found.
const TOKEN: &str = "kp5t7q";
const LANES: usize = 10;
const PART: &str = "data/kickpanel/recordings/000001-01.kpr";

/// A hundred names: paths upward, from the root and into other folders, options, commands, control characters, lengths.
fn names() -> Vec<String> {
    let long = TOKEN.repeat(43)[..255].to_owned();
    let plain = [
        "../TOKEN",
        "../../../../../../tmp/TOKEN",
        "/tmp/TOKEN",
        "/TOKEN",
        "TOKEN/../../TOKEN",
        "a/TOKEN",
        "./TOKEN",
        "~/TOKEN",
        "..",
        "/",
        "TOKEN\0",
        "\0TOKEN",
        "TOKEN\n",
        "\n/tmp/TOKEN\n",
        "-oTOKEN",
        "--write=TOKEN",
        "$(touch TOKEN)",
        "`touch TOKEN`",
        "; touch TOKEN",
        "| tee TOKEN",
        "> TOKEN",
        "%sTOKEN%n",
        "C:\\TOKEN",
        "\\\\TOKEN\\x",
        "file:///tmp/TOKEN",
    ];
    let forms = |name: &str| {
        let name = name.replace("TOKEN", TOKEN);
        [name.clone(), format!("{name}/{TOKEN}"), format!("../{name}"), format!("{name}\0.kpr")]
    };
    let mut names: Vec<String> = plain.iter().flat_map(|name| forms(name)).collect();
    names.extend([long.clone(), format!("../{long}"), format!("{long}{long}"), String::new(), ".".into()]);
    names
}

/// A text as both TOML and JSON take it.
fn quoted(text: &str) -> String {
    serde_json::to_string(text).unwrap()
}

/// Every file below `folder`.
fn files(folder: &Path, found: &mut BTreeSet<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        if entry.file_type().unwrap().is_dir() {
            files(&entry.path(), found);
        } else {
            found.insert(entry.path());
        }
    }
}

fn listed(bench: &Bench) -> BTreeSet<PathBuf> {
    let mut found = BTreeSet::new();
    files(&bench.path(""), &mut found);
    found
}

/// Drives with `name` as that of the vehicle, of the link, of the board and in every note, replays and exports what came.
/// True where such a config was taken.
fn drive_as(vehicle: &str, link: &str, told: &str) -> bool {
    let bench = Bench::new();
    let mut hello = format!(
        "{{\"hello\":{{\"format\":1,\"fw\":{0},\"board\":{0},\"reset\":\"power-on\",\"adc_max\":1023,\"analog\":6,\"pulse\":[],\
         \"digital\":[],\"output\":[],\"rate_hz\":50,\"up_ms\":3}}",
        quoted(&told.chars().take(100).collect::<String>())
    );
    seal(&mut hello);
    bench.write(
        "kickpanel.toml",
        format!(
            "format = 1\nname = {}\n[link.{}]\ndevice = \"{}\"\nreference = \"1.1 V\"\n{}",
            quoted(vehicle),
            quoted(link),
            bench.name("port"),
            CHANNEL.replace("\"Bench\"", &quoted(told)).replace("\"Oil pressure\"", &quoted(told)),
        ),
    );
    let before = listed(&bench);
    let board = Board::at(&bench.path("port"), FOUR_BAR);
    let mut command = bench.command(&["drive", "--no-screen"]);
    let mut program = Running::start(command.stdout(Stdio::null()).stderr(Stdio::null()));
    let mut refused = false;
    until("it drives, or says why not", || {
        refused = program.has_ended();
        refused || fs::read_to_string(bench.path(PART)).is_ok_and(|text| text.contains("\"a1\":512"))
    });
    if !refused {
        program.send(Signal::TERM);
    }
    let status = program.ended().code();
    assert_eq!(status == Some(0), !refused, "{vehicle:?} {link:?} {told:?}: {status:?}");
    drop(board);
    let mut wanted = before;
    if !refused {
        assert_eq!(bench.run(&["export", PART]).status, Some(0));
        wanted.insert(bench.path(PART));
    }
    assert_eq!(listed(&bench), wanted, "{vehicle:?} {link:?} {told:?}");
    !refused
}

/// Nothing that has the token in its name lies in a folder that the names point to.
fn assert_nothing_strayed() {
    for folder in [std::env::temp_dir(), PathBuf::from("/"), PathBuf::from("/tmp"), std::env::current_dir().unwrap()] {
        let entries = fs::read_dir(&folder).into_iter().flatten().flatten();
        let strayed: Vec<_> =
            entries.map(|entry| entry.path()).filter(|path| path.to_string_lossy().contains(TOKEN)).collect();
        assert_eq!(strayed, [""; 0].map(PathBuf::from), "in {}", folder.display());
    }
}

#[test]
fn a_hundred_hostile_names_make_no_file_outside_the_folder() {
    let names = names();
    assert!(names.iter().collect::<BTreeSet<_>>().len() >= 100, "{}", names.len());
    let taken: usize = std::thread::scope(|scope| {
        let lanes = names.chunks(names.len().div_ceil(LANES));
        let lanes: Vec<_> = lanes
            .map(|names| {
                scope.spawn(move || {
                    let drives = names
                        .iter()
                        .flat_map(|name| [drive_as(name, "engine", name), drive_as("Bench", name, "Bench")]);
                    drives.filter(|taken| *taken).count()
                })
            })
            .collect();
        lanes.into_iter().map(|lane| lane.join().unwrap()).sum()
    });
    println!("{taken} of {} configs were taken", names.len() * 2);
    assert!(taken >= 50, "{taken} of them drove: the others prove nothing");
    assert_nothing_strayed();
}

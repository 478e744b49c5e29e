//! The time of exports, and how lively a link is.

use kickpanel::config::LinkId;
use kickpanel::pipeline::Outcome;
use kickpanel::state::LinkState;
use kickpanel::time::Stamp;

use crate::rig::Rig;

const TWO_LINKS: &str = "format = 1\n[link.shed]\nform = \"pairs\"\n[link.engine]\nform = \"counts\"\n\
                         [channel.v]\ninput = \"engine:n_v\"\n[channel.w]\ninput = \"shed:w\"\n";

#[test]
fn with_one_link_a_row_has_the_time_of_its_reading_whenever_it_arrives() {
    let mut rig = Rig::new("[channel.v]\ninput = \"n_v\"\n");
    for (t, late) in [
        (500, 0),
        (20_500, 900_000),
        (40_500, 30),
        (2_000_000_000, 7),
        (4_000_000_000, 7),
        (4_294_967_295, 5),
        (4_294_967_300, 0),
    ] {
        rig.late = late;
        rig.read(t, "");
        assert_eq!(rig.pipeline.snapshot().at, t - 500);
        rig.raw(0, t + late + 7_000, "no line at all");
    }
}

#[test]
fn rows_of_other_links_lie_on_the_clock_of_the_first_counts_link() {
    let mut rig = Rig::whole(TWO_LINKS);
    let at = |rig: &Rig| rig.pipeline.snapshot().at;
    rig.raw(0, 7_000_000, "w=1");
    assert_eq!(at(&rig), 0, "before the main link spoke: since the first arrival");
    rig.raw(0, 7_300_000, "w=1");
    assert_eq!(at(&rig), 300_000);
    rig.line(1, 7_400_000, "{\"t\":1000");
    assert_eq!(at(&rig), 0, "the main link's own time");
    rig.raw(0, 7_450_000, "w=1");
    assert_eq!(at(&rig), 50_000);
    rig.line(1, 7_455_000, "{\"t\":41000");
    assert_eq!(at(&rig), 40_000, "its clock is the one that counts, late or not");
    rig.raw(0, 7_454_000, "w=1");
    assert_eq!(at(&rig), 40_000, "never back");
}

#[test]
fn the_same_reading_again_says_nothing_new() {
    let mut rig = Rig::new("[channel.v]\ninput = \"n_v\"\n");
    assert_eq!(rig.line(0, 0, "{\"s\":5,\"t\":1000,\"n_v\":1"), Outcome::Reading);
    assert_eq!(rig.line(0, 20_000, "{\"s\":5,\"t\":1000,\"n_v\":2"), Outcome::Repeated);
    assert_eq!(rig.good("v"), 1.0);
    assert_eq!(rig.pipeline.tally(LinkId(0)).readings, 2);
}

#[test]
fn a_link_is_silent_after_five_seconds_without_a_line() {
    let mut rig = Rig::new("[channel.v]\ninput = \"n_v\"\n");
    let state = |rig: &Rig| rig.pipeline.snapshot().links[0].state;
    assert_eq!((state(&rig), rig.pipeline.due()), (LinkState::Down, None));
    rig.pipeline.link_up(LinkId(0), Stamp(0));
    rig.tick(4_999_999);
    assert_eq!((state(&rig), rig.pipeline.due()), (LinkState::Up, Some(Stamp(5_000_000))));
    assert!(rig.tick(5_000_000));
    assert_eq!((state(&rig), rig.pipeline.due()), (LinkState::Silent, None));
    rig.raw(0, 6_000_000, "noise");
    assert_eq!(state(&rig), LinkState::Up);
    rig.pipeline.link_down(LinkId(0), Stamp(6_500_000));
    rig.tick(60_000_000);
    assert_eq!(state(&rig), LinkState::Down);
}

#[test]
fn lines_are_counted_for_each_full_second() {
    let mut rig = Rig::new("[channel.v]\ninput = \"n_v\"\n");
    let per_second = |rig: &Rig| rig.pipeline.snapshot().links[0].lines_per_s;
    for n in 0..100 {
        rig.read(n * 20_000, "");
        rig.raw(0, n * 20_000, "refused");
    }
    assert_eq!((per_second(&rig), rig.pipeline.snapshot().links[0].bad), (50, 100));
    rig.tick(1_999_999);
    assert_eq!(per_second(&rig), 50);
    rig.tick(2_000_000);
    assert_eq!(per_second(&rig), 50);
    assert!(rig.tick(3_000_000));
    assert_eq!(per_second(&rig), 0);
}

#[test]
fn totals_of_a_link_are_channels_too() {
    let mut rig = Rig::new(
        "[channel.lost]\ninput = \"link.lost\"\n[channel.bad]\ninput = \"link.bad\"\n[channel.resets]\ninput = \"link.resets\"\n",
    );
    rig.line(0, 0, "{\"s\":1,\"t\":1000000");
    rig.line(0, 1, "{\"s\":5,\"t\":1020000");
    rig.raw(0, 2, "{");
    rig.pipeline.too_long(LinkId(0), Stamp(3));
    assert_eq!([rig.good("lost"), rig.good("bad"), rig.good("resets")], [3.0, 2.0, 0.0]);
    rig.line(0, 4, "{\"s\":0,\"t\":5000");
    assert_eq!([rig.good("lost"), rig.good("bad"), rig.good("resets")], [3.0, 2.0, 1.0]);
}

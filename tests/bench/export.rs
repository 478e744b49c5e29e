//! One hour at 50 lines a second to CSV: 6 analog inputs, 2 pulse inputs, the supply, a lamp and a formula. Run: `cargo bench --bench export`.
#![allow(missing_docs, clippy::unwrap_used, reason = "a benchmark")]

use std::sync::Arc;

use divan::Bencher;
use divan::counter::ItemsCount;
use kickpanel::config;
use kickpanel::controller::{Story, write_recording};
use kickpanel::export::{self, Columns, Format, Options};
use kickpanel::record::Recording;
use kickpanel::replay::Configs;
use kickpanel::time::SECOND;

fn main() {
    divan::main();
}

const HOUR: i64 = 3600 * SECOND;

#[divan::bench(sample_count = 10)]
fn an_hour_to_csv(bencher: Bencher) {
    let text = include_str!("live.toml");
    let model = Arc::new(config::load(text).model.unwrap());
    let mut recording = Vec::new();
    write_recording(Story::Healthy, 1, HOUR, text, &mut recording).unwrap();
    let recording: Arc<[u8]> = recording.into();
    bencher.counter(ItemsCount::new(180_000_usize)).bench_local(|| {
        let mut recording = Recording::from_memory("hour".into(), Arc::clone(&recording)).unwrap();
        let columns = Columns::of(&model, false);
        let options = Options { format: Format::Csv { states: false }, every: None, columns };
        export::run(
            &mut recording,
            Configs::followed(Arc::clone(&model), Some(text)),
            options,
            &mut std::io::sink(),
            &mut |_| {},
        )
        .unwrap()
    });
}

//! The worked example and small configs become the models that are meant.
#![expect(clippy::float_cmp, reason = "what is read must be exactly what is written")]

use kickpanel::circuit::{Circuit, Rail};
use kickpanel::config::{
    Channel, ChannelId, Cold, Drive, Face, Field, Level, Limit, LinkId, Model, Sensor, Source, Take, load, report,
};
use kickpanel::sensor::Curve;
use kickpanel::unit::{Affine, Unit};
use kickpanel::wire::{FieldId, Form};
use rstest::rstest;

use super::GOOD;

#[track_caller]
fn model(text: &str) -> Model {
    let loaded = load(text);
    let said = report("kickpanel.toml", text, &loaded.mistakes, false);
    loaded.model.unwrap_or_else(|| panic!("{said}"))
}

fn channel<'m>(model: &'m Model, name: &str) -> &'m Channel {
    model.channels.iter().find(|channel| channel.name == name).unwrap()
}

fn id(model: &Model, name: &str) -> ChannelId {
    let at = model.channels.iter().position(|channel| channel.name == name).unwrap();
    ChannelId(at.try_into().unwrap())
}

/// The only channel of a config of one channel with that input and those lines.
#[track_caller]
fn single(input: &str, lines: &str) -> Channel {
    model(&format!("[channel.x]\ninput = \"{input}\"\n{lines}\n")).channels.remove(0)
}

fn sensor(channel: &Channel) -> &Sensor {
    match &channel.source {
        Source::Input(input) => &input.sensor,
        Source::Formula(_) => panic!("a formula"),
    }
}

fn field(channel: &Channel) -> Field {
    match &channel.source {
        Source::Input(input) => input.field,
        Source::Formula(_) => panic!("a formula"),
    }
}

#[test]
fn the_worked_example_has_no_mistakes_and_no_warnings() {
    let loaded = load(GOOD);
    assert_eq!(report("good.toml", GOOD, &loaded.mistakes, false), "");
    assert!(loaded.model.is_some());
}

#[test]
fn the_head_the_links_and_the_rules_are_read() {
    let model = model(GOOD);
    assert_eq!(model.name, "Hill truck");
    assert_eq!(model.links.iter().map(|link| link.baud).collect::<Vec<_>>(), [500_000, 9_600, 115_200, 115_200]);
    assert_eq!(model.links[0].device, "/dev/serial/by-id/usb-EXAMPLE");
    assert_eq!(model.links[0].form, Form::Counts { checksum_required: true });
    assert_eq!(model.links[0].reference, 1.1);
    assert_eq!(model.links[1].form, Form::Nmea);
    let Form::Columns { names: Some(names), clock: Some(clock) } = &model.links[2].form else { panic!() };
    assert_eq!(names, &["time", "a", "a3", "vcc"]);
    assert_eq!((clock.name.as_str(), clock.step_us), ("time", 1000.0));
    assert_eq!(model.record.folder.as_deref(), Some("/var/lib/kickpanel/recordings"));
    assert_eq!(model.record.keep, Some(8_000_000_000));
    assert_eq!(model.trust.supply, Some((4.5, 5.5)));
    assert!(model.trust.ground_shift);
}

#[test]
fn a_field_that_two_channels_read_stands_once_in_its_link() {
    let model = model(GOOD);
    assert_eq!(model.links[0].fields[..3], ["a0", "a1", "p2"]);
    assert_eq!(model.links[0].fields.iter().filter(|name| *name == "p2").count(), 1);
    let of = |name| match field(channel(&model, name)) {
        Field::Pulse { field, take, slowest } => (field, take, slowest),
        other => panic!("{other:?}"),
    };
    assert_eq!(of("rpm"), (FieldId(4), Take::Rate, 1_000_000));
    assert_eq!(of("evenness"), (FieldId(4), Take::Spread, 1_000_000));
}

#[test]
fn a_live_zero_sensor_knows_its_ends() {
    let model = model(GOOD);
    let oil = channel(&model, "oil");
    let Sensor::Curve { curve: Curve::Linear(line), ratiometric, takes, live_zero, .. } = sensor(oil) else { panic!() };
    assert_eq!(line.at(2.5), Some(3.5));
    assert_eq!((*ratiometric, *takes, *live_zero), (Some(5.0), Unit::VOLT, Some((0.5, 4.5))));
    assert_eq!((oil.unit, oil.fastest, oil.fresh), (Unit::parse("bar").unwrap(), Some(50.0), Some(2_000_000)));
    let stuck = oil.stuck.as_ref().unwrap();
    assert_eq!((stuck.after, stuck.band), (20_000_000, 0.0));
    assert_eq!(stuck.when.as_ref().unwrap().terms, [id(&model, "rpm")]);
}

#[rstest]
#[case::no_zero("from = [\"0 V\", \"5 V\"]", "")]
#[case::behind_a_divider(
    "from = [\"0.5 V\", \"4.5 V\"]",
    "circuit = { kind = \"divider\", top = \"1 kohm\", bottom = \"1 kohm\" }"
)]
fn other_linear_sensors_are_not_live_zero(#[case] from: &str, #[case] circuit: &str) {
    let x = single("a0", &format!("sensor = {{ kind = \"linear\", {from}, to = [0, 1] }}\n{circuit}"));
    assert!(matches!(sensor(&x), Sensor::Curve { live_zero: None, .. }));
}

#[test]
fn circuits_are_in_ohms_and_volts() {
    let model = model(GOOD);
    let circuit = |name| match &channel(&model, name).source {
        Source::Input(input) => input.circuit,
        Source::Formula(_) => panic!(),
    };
    assert_eq!(circuit("coolant"), Circuit::PullUp { resistor: 2200.0, to: Rail::Supply });
    assert_eq!(circuit("box"), Circuit::PullDown { resistor: 10_000.0, to: Rail::Volts(3.3) });
    assert_eq!(circuit("battery"), Circuit::Divider { top: 30_000.0, bottom: 10_000.0 });
    assert_eq!(circuit("exhaust"), Circuit::Amplifier { gain: 122.4, offset: 0.5 });
    assert_eq!(circuit("oil"), Circuit::Direct);
}

#[test]
fn a_thermocouple_has_its_cold_channel_in_celsius() {
    let model = model(GOOD);
    let exhaust = channel(&model, "exhaust");
    let Sensor::Thermocouple { cold, into, .. } = sensor(exhaust) else { panic!() };
    assert_eq!(*cold, Cold::Channel(id(&model, "box"), Affine::IDENTITY));
    assert_eq!(into.at(100.0), 212.0);
    assert_eq!(exhaust.span, Some((32.0, 1472.0)));
    let text = "[channel.box]\ninput = \"t_box\"\nunit = \"degF\"\n[channel.x]\ninput = \"a0\"\n\
                sensor = { kind = \"thermocouple\", type = \"N\", cold = \"box\" }\n";
    let model = self::model(text);
    let Sensor::Thermocouple { cold: Cold::Channel(_, line), .. } = sensor(&model.channels[1]) else { panic!() };
    assert_eq!(line.at(212.0), 100.0);
    let x = single("a0", "sensor = { kind = \"thermocouple\", type = \"J\", cold = \"77 degF\" }");
    assert!(matches!(sensor(&x), Sensor::Thermocouple { cold: Cold::Celsius(25.0), .. }));
}

// Arithmetic of the definitions: 100 Hz at two edges a turn are 50 turns a second, 3,000 a minute.
#[rstest]
#[case::turns("rate", "count = 2, per = \"rev\"", "", "1/min", 30.0)]
#[case::turns_in_hertz("rate", "count = 2, per = \"rev\"", "unit = \"Hz\"", "Hz", 0.5)]
#[case::speed("rate", "count = 3600, per = \"km\"", "", "km/h", 1.0)]
#[case::speed_in_miles("rate", "count = 1800, per = \"mi\"", "", "mph", 2.0)]
#[case::flow("rate", "count = 3600, per = \"L\"", "", "L/h", 1.0)]
#[case::counted_turns("count", "count = 2, per = \"rev\"", "", "1", 0.5)]
#[case::counted_way("count", "count = 4000, per = \"km\"", "unit = \"m\"", "m", 0.25)]
#[case::counted_fuel("count", "count = 500, per = \"L\"", "", "L", 0.002)]
fn pulses_are_counted_per_turn_way_or_litre(
    #[case] take: &str,
    #[case] keys: &str,
    #[case] unit: &str,
    #[case] expected: &str,
    #[case] times: f64,
) {
    let x = single("p2", &format!("take = \"{take}\"\nsensor = {{ kind = \"pulses\", {keys} }}\n{unit}"));
    assert_eq!((x.unit.name().as_str(), sensor(&x)), (expected, &Sensor::Pulses { times }));
}

#[rstest]
#[case::analog("a0", "", "V")]
#[case::ohms("a0", "circuit = { kind = \"pullup\", resistor = \"1 kohm\" }", "ohm")]
#[case::rate("p2", "", "Hz")]
#[case::count("p2", "take = \"count\"", "1")]
#[case::spread("p2", "take = \"spread\"", "1")]
#[case::level("d4", "", "1")]
#[case::supply("vcc", "", "V")]
#[case::number("cab", "", "1")]
#[case::number_with_unit("cab", "unit = \"degC\"", "degC")]
#[case::lost("link.lost", "", "1")]
#[case::thermistor(
    "a0",
    "circuit = { kind = \"pullup\", resistor = \"1 kohm\" }\n\
     sensor = { kind = \"thermistor\", beta = \"3950 K\", at = [\"25 degC\", \"10 kohm\"] }",
    "degC"
)]
#[case::linear("a0", "sensor = { kind = \"linear\", from = [\"0 V\", \"5 V\"], to = [\"0 psi\", 100] }", "psi")]
#[case::bare_linear("a0", "sensor = { kind = \"linear\", from = [\"0 V\", \"5 V\"], to = [0, 100] }", "1")]
#[case::formula_number("x2", "sensor = { kind = \"number\", unit = \"kPa\", times = 0.1 }", "kPa")]
fn without_unit_the_sensors_own_unit_is_shown(#[case] input: &str, #[case] lines: &str, #[case] expected: &str) {
    assert_eq!(single(input, lines).unit.name(), expected);
}

#[test]
fn a_digital_pin_without_sensor_is_a_switch() {
    let x = single("d4", "");
    assert_eq!(sensor(&x), &Sensor::Switch { on: true });
    assert_eq!(x.words, Some(["off".to_owned(), "on".to_owned()]));
    let lights = single("d4", "sensor = { kind = \"switch\", on = 0, words = [\"dark\", \"lit\"] }");
    assert_eq!(sensor(&lights), &Sensor::Switch { on: false });
    assert_eq!(lights.words, Some(["dark".to_owned(), "lit".to_owned()]));
}

#[test]
fn a_bare_number_is_in_the_unit_of_its_channel() {
    let x = single(
        "a0",
        "unit = \"bar\"\nspan = [0, \"700 kPa\"]\nfastest = 50\n\
         sensor = { kind = \"linear\", from = [\"0 V\", \"5 V\"], to = [\"0 kPa\", 7] }",
    );
    assert_eq!((x.span, x.fastest), (Some((0.0, 7.0)), Some(50.0)));
    let Sensor::Curve { curve, into, .. } = sensor(&x) else { panic!() };
    assert_eq!(into.at(curve.at(5.0).unwrap()), 7.0);
}

#[test]
fn an_analog_pin_of_a_plain_sketch_is_counts_only_where_volts_are_wanted() {
    let link = "[link.x]\nform = \"pairs\"\n";
    let of = |lines: &str| field(&model(&format!("{link}[channel.y]\ninput = \"a0\"\n{lines}")).channels[0]);
    assert_eq!(of(""), Field::Number(FieldId(2)));
    assert_eq!(of("circuit = { kind = \"direct\" }"), Field::Analog(FieldId(2)));
    assert_eq!(of("sensor = { kind = \"linear\", from = [\"0 V\", \"5 V\"], to = [0, 1] }"), Field::Analog(FieldId(2)));
    assert_eq!(of("sensor = { kind = \"linear\", from = [0, 1023], to = [0, 1] }"), Field::Number(FieldId(2)));
    assert_eq!(of("sensor = { kind = \"switch\" }"), Field::Digital(FieldId(2)));
}

#[test]
fn without_links_there_is_one_for_replays() {
    let model = model("[channel.oil]\ninput = \"a1\"\n");
    let [link] = &model.links[..] else { panic!() };
    assert_eq!((link.name.as_str(), link.device.as_str(), link.baud), ("link", "", 500_000));
    assert_eq!(link.form, Form::Counts { checksum_required: false });
    assert_eq!(link.fields, ["a1"]);
}

#[test]
fn an_empty_text_is_a_vehicle_without_channels() {
    let model = model("");
    assert!(model.channels.is_empty() && model.pages[0].rows.is_empty());
    assert_eq!(model.links.len(), 1);
}

#[test]
fn channels_are_worked_out_after_what_they_need() {
    let model = model(
        "[channel.c]\nformula = \"b + a\"\n[channel.b]\nformula = \"a\"\n[channel.a]\ninput = \"a0\"\n\
         stuck = { after = \"1 s\", when = \"d > 1\" }\n[channel.d]\ninput = \"p2\"\n",
    );
    assert_eq!(model.order, [ChannelId(3), ChannelId(2), ChannelId(1), ChannelId(0)]);
}

#[test]
fn an_alarm_is_read_as_it_is_written() {
    let model = model(GOOD);
    let alarm = model.alarms.iter().find(|alarm| alarm.channel == id(&model, "oil")).unwrap();
    assert_eq!((alarm.level, alarm.limit), (Level::Danger, Limit::Below(0.8)));
    assert_eq!((alarm.deadband, alarm.after, alarm.until), (0.1, 1_000_000, 2_000_000));
    assert_eq!((alarm.latch, alarm.text.as_str()), (false, "Oil pressure low: stop the engine"));
    assert_eq!(alarm.when.as_ref().unwrap().text, "rpm > 600");
}

// The defaults that the config format states by kind of quantity; `until` is twice `after`.
#[rstest]
#[case::pressure_danger("bar", "danger", 1, 0.02)]
#[case::pressure_caution("kPa", "caution", 5, 0.02)]
#[case::temperature_danger("degC", "danger", 3, 0.01)]
#[case::temperature_caution("degF", "caution", 3, 0.01)]
#[case::voltage_caution("V", "caution", 5, 0.01)]
#[case::voltage_notice("mV", "notice", 5, 0.01)]
#[case::share("%", "caution", 60, 0.05)]
#[case::volume("L", "notice", 60, 0.05)]
#[case::volume_danger("gal_us", "danger", 60, 0.05)]
#[case::flow("L/h", "caution", 5, 0.05)]
#[case::flow_by_the_second("L/s", "notice", 5, 0.05)]
#[case::turning("1/min", "danger", 1, 0.02)]
#[case::plain("1", "notice", 5, 0.02)]
fn what_an_alarm_leaves_out_follows_from_kind_and_level(
    #[case] unit: &str,
    #[case] level: &str,
    #[case] seconds: i64,
    #[case] share: f64,
) {
    let model = model(&format!(
        "[channel.x]\ninput = \"x2\"\nunit = \"{unit}\"\nspan = [100, 300]\n\
         [[channel.x.alarm]]\nlevel = \"{level}\"\nabove = 250\n"
    ));
    let alarm = &model.alarms[0];
    assert_eq!((alarm.after, alarm.until), (seconds * 1_000_000, 2 * seconds * 1_000_000));
    assert!((alarm.deadband - 200.0 * share).abs() < 1e-9, "{}", alarm.deadband);
}

#[test]
fn without_span_the_deadband_is_taken_from_what_the_sensor_can_give() {
    let model = model(GOOD);
    let fuel = model.alarms.iter().find(|alarm| alarm.channel == id(&model, "fuel")).unwrap();
    assert_eq!(fuel.deadband, 5.0);
}

#[test]
fn an_alarm_without_text_says_what_is_known() {
    let text = "[channel.oil]\nlabel = \"Oil pressure\"\ninput = \"x\"\nunit = \"bar\"\nspan = [0, 7]\n\
                [[channel.oil.alarm]]\nlevel = \"danger\"\nbelow = \"80 kPa\"\n";
    assert_eq!(model(text).alarms[0].text, "Oil pressure below 0.8 bar");
}

#[rstest]
#[case::one_of_one(1, 1, false)]
#[case::one_of_two(1, 2, false)]
#[case::two_of_ten(2, 10, false)]
#[case::two_of_nine(2, 9, true)]
fn more_than_one_danger_in_five_is_doubtful(#[case] danger: usize, #[case] all: usize, #[case] warns: bool) {
    let mut text = "[channel.x]\ninput = \"x2\"\nspan = [0, 100]\n".to_owned();
    for at in 0..all {
        let level = if at < danger { "danger" } else { "notice" };
        let alarm = format!("[[channel.x.alarm]]\nlevel = \"{level}\"\nabove = {at}\ntext = \"do something\"\n");
        text.push_str(&alarm);
    }
    let loaded = load(&text);
    assert_eq!(loaded.mistakes.iter().any(|mistake| mistake.what.contains("`danger`")), warns);
    assert!(loaded.model.is_some());
}

/// What is left out has a default.
#[test]
fn a_config_that_names_no_format_is_read_as_format_1() {
    let rest = "name = \"Hill truck\"\n[channel.x]\ninput = \"a0\"\n";
    assert_eq!(model(rest), model(&format!("format = 1\n{rest}")));
    assert_eq!(load(rest).mistakes, []);
}

#[test]
fn events_and_outputs_are_read() {
    let model = model(GOOD);
    let stumble = &model.events[0];
    assert_eq!((stumble.lasts, stumble.apart), (200_000, 10_000_000));
    assert_eq!((stumble.before, stumble.after), (20_000_000, 5_000_000));
    assert_eq!(stumble.when.terms, [id(&model, "rpm"), id(&model, "speed")]);
    let [heater, needle, fan] = &model.outputs[..] else { panic!() };
    assert_eq!((heater.link, heater.pin.to_string().as_str(), heater.armed), (LinkId(0), "d7", false));
    let Drive::Switch { on, off_if: Some(off_if), longest, rest } = &heater.drive else { panic!() };
    assert_eq!((on.text.as_str(), off_if.text.as_str()), ("coolant < 5 and rpm > 0", "battery < 11.0"));
    assert_eq!((*longest, *rest), (Some(30_000_000), 10_000_000));
    let points = vec![(0.0, 0.0), (6000.0, 200.0)];
    assert_eq!(needle.drive, Drive::Follow { from: id(&model, "rpm"), points, rest_at: 0.0 });
    let points = vec![(80.0, 0.0), (95.0, 0.8)];
    assert_eq!(fan.drive, Drive::Follow { from: id(&model, "coolant"), points, rest_at: 0.0 });
}

#[test]
fn pages_are_read_with_their_faces() {
    let model = model(GOOD);
    let faces: Vec<Vec<Face>> =
        model.pages[0].rows.iter().map(|row| row.iter().map(|cell| cell.face).collect()).collect();
    assert_eq!(faces, [vec![Face::Dial, Face::Digits], vec![Face::Bar, Face::Bar], vec![Face::Trend, Face::Lamp]]);
    assert_eq!(model.pages[0].rows[0][0].wide, 2);
    let trend = &model.pages[0].rows[2][0];
    assert_eq!((trend.show.len(), trend.last), (2, 90_000_000));
}

#[test]
fn the_automatic_page_shows_everything_once_what_turns_first_and_switches_last() {
    let text = GOOD.split("[[page]]").next().unwrap();
    let model = model(text);
    let cells: Vec<_> = model.pages[0].rows.iter().flatten().collect();
    assert_eq!(cells.len(), model.channels.len());
    assert_eq!(cells[0].show, [id(&model, "rpm")]);
    let last = cells.last().unwrap();
    assert_eq!((&last.show[..], last.face), (&[id(&model, "lights")][..], Face::Lamp));
    let mut shown: Vec<_> = cells.iter().flat_map(|cell| cell.show.iter()).collect();
    shown.sort();
    shown.dedup();
    assert_eq!(shown.len(), model.channels.len());
}

#[rstest]
#[case("[channel.x]\ninput = \"a0\"\nunit = \"mV\"\nspan = [\"0 V\", \"5 V\"]\n", (0.0, 5000.0))]
#[case("[channel.x]\ninput = \"t\u{5f}out\"\nunit = \"degF\"\nspan = [\"0 degC\", 212]\n", (32.0, 212.0))]
fn a_span_is_converted_into_the_channels_unit(#[case] text: &str, #[case] expected: (f64, f64)) {
    assert_eq!(model(text).channels[0].span, Some(expected));
}

#[test]
fn a_difference_is_converted_without_the_zero_of_its_scale() {
    let x = single("x2", "unit = \"degF\"\ncalibration = { gain = 1, offset = \"2 K\" }");
    assert_eq!(x.calibration.unwrap().offset, 3.6);
}

#[test]
fn a_label_of_twenty_four_columns_fits_and_one_of_twenty_five_does_not() {
    let with = |label: &str| load(&format!("[channel.x]\ninput = \"a0\"\nlabel = \"{label}\"\n")).model;
    assert_eq!(with(&"x".repeat(24)).unwrap().channels[0].label.len(), 24);
    assert!(with(&"x".repeat(25)).is_none());
    // Wide letters take two columns each (Unicode Standard Annex 11).
    assert!(with(&"字".repeat(12)).is_some());
    assert!(with(&"字".repeat(13)).is_none());
}

#[test]
fn a_name_of_thirty_two_letters_passes_and_one_of_thirty_three_does_not() {
    let with = |name: String| load(&format!("[channel.{name}]\ninput = \"a0\"\n")).model;
    assert!(with("x".repeat(32)).is_some());
    assert!(with("x".repeat(33)).is_none());
}

#[rstest]
#[case("1 MB", 1_000_000)]
#[case("2.5 GB", 2_500_000_000)]
#[case("1 GiB", 1_073_741_824)]
#[case("4096kiB", 4_194_304)]
fn sizes_are_of_ten_or_of_two(#[case] text: &str, #[case] bytes: u64) {
    assert_eq!(model(&format!("[record]\nkeep = \"{text}\"\n")).record.keep, Some(bytes));
}

#[test]
fn a_column_that_is_named_can_be_read_and_its_clock_may_count_microseconds() {
    let text = "[link.x]\nform = \"columns\"\nnames = [\"Zeit\", \"T1\"]\nclock = \"Zeit\"\nclock_unit = \"us\"\n\
                [channel.t]\ninput = \"T1\"\nunit = \"degC\"\n";
    let model = model(text);
    let Form::Columns { clock: Some(clock), .. } = &model.links[0].form else { panic!() };
    assert_eq!(clock.step_us, 1.0);
    assert_eq!(field(&model.channels[0]), Field::Number(FieldId(2)));
}

#[test]
fn a_receivers_speed_is_converted() {
    let model = model(GOOD);
    let Sensor::Number { into, .. } = sensor(channel(&model, "speed")) else { panic!() };
    // One mile is 1.609344 km by definition.
    assert!((into.at(160.934_4) - 100.0).abs() < 1e-9);
}

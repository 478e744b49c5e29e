//! Which pins of a controller are used, and which are left.

use crate::config::Model;
use crate::wire::{Form, Pin, PinKind};

/// The controller whose pins are counted as free: six analog inputs, and the pins 2 to 13 (0 and 1 are the serial line).
/// Source: data sheet of the `ATmega328P`, pin configurations; the numbers are those that boards with it have printed on
/// (common practice, no source).
pub const BOARD: &str = "ATmega328P";
const ANALOG: std::ops::Range<u8> = 0..6;
const DIGITAL: std::ops::Range<u8> = 2..14;

/// The pins of one controller that speaks the counts format.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pins {
    /// The name of its link.
    pub link: String,
    /// What channels read and outputs drive: digital ones first, then analog ones, by number.
    pub used: Vec<Pin>,
    /// Numbers of analog pins that a [`BOARD`] has left.
    pub free_analog: Vec<u8>,
    /// Numbers of other pins that it has left.
    pub free_digital: Vec<u8>,
}

/// The pins on each link of the counts form.
pub(super) fn all(model: &Model) -> Vec<Pins> {
    let counts = model.links.iter().enumerate().filter(|(_, link)| matches!(link.form, Form::Counts { .. }));
    counts.map(|(index, _)| on_link(model, index)).collect()
}

fn on_link(model: &Model, index: usize) -> Pins {
    let link = &model.links[index];
    let read = link.fields.iter().filter_map(|name| Pin::parse(name)).filter(|pin| pin.kind.is_input());
    let driven = model.outputs.iter().filter(|output| output.link.index() == index).map(|output| output.pin);
    let mut used: Vec<Pin> = read.chain(driven).collect();
    crate::order::by_key(&mut used, |pin| (is_analog(*pin), pin.number, pin.kind));
    // An output whose level is read stands in both lists.
    used.dedup();
    let free = |range: std::ops::Range<u8>, analog: bool| {
        range.filter(|&number| !used.iter().any(|pin| (is_analog(*pin), pin.number) == (analog, number))).collect()
    };
    Pins { link: link.name.clone(), free_analog: free(ANALOG, true), free_digital: free(DIGITAL, false), used }
}

fn is_analog(pin: Pin) -> bool {
    pin.kind == PinKind::Analog
}

#[cfg(test)]
mod tests {
    use crate::config::load;
    use crate::overview::Overview;

    #[test]
    fn what_is_read_or_driven_is_used_and_all_else_is_free() {
        let text = "[channel.level]\ninput = \"d7\"\n[channel.rpm]\ninput = \"p2\"\n[channel.x]\ninput = \"a3\"\n\
            [channel.bounce]\ninput = \"q2\"\n[channel.y]\ninput = \"a0\"\n\
            [output.fan]\npin = \"d7\"\non = \"x > 1\"\n[output.glow]\npin = \"d12\"\non = \"x > 1\"\n";
        let loaded = load(text);
        let model = loaded.model.unwrap_or_else(|| panic!("{:?}", loaded.mistakes));
        let pins = &Overview::of(&model).pins[0];
        let used: Vec<String> = pins.used.iter().map(ToString::to_string).collect();
        assert_eq!(used, ["p2", "d7", "d12", "a0", "a3"]);
        assert_eq!(pins.free_analog, [1, 2, 4, 5]);
        assert_eq!(pins.free_digital, [3, 4, 5, 6, 8, 9, 10, 11, 13]);
    }

    #[test]
    fn only_controllers_of_the_counts_form_have_pins() {
        let text = "[link.a]\n[link.b]\nform = \"pairs\"\n[link.c]\nform = \"nmea\"\n[channel.x]\ninput = \"b:a0\"\n";
        let pins = Overview::of(&load(text).model.unwrap()).pins;
        assert_eq!(pins.len(), 1);
        assert_eq!((pins[0].link.as_str(), pins[0].used.len()), ("a", 0));
    }
}

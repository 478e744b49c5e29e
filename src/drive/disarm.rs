//! Outputs that are not armed any more although nothing else of the config changes.
//!
//! Owns the rule by which a config that cannot be taken still disarms, and the text of what is in force then. In: models and
//! texts. Out: the same with fewer armed outputs. Never arms anything. Pure.

use std::sync::Arc;

use toml::de::DeTable;

use crate::config::{Model, Output, SharedModel, load};

/// `model` with no output armed.
pub(super) fn all(model: &SharedModel) -> SharedModel {
    let mut model = Arc::unwrap_or_clone(Arc::clone(model));
    model.outputs.iter_mut().for_each(|output| output.armed = false);
    Arc::new(model)
}

/// `model`, in force, with only those outputs armed that `new` arms too, by link and pin; `None` where those are the same.
/// `new` has other links: one is the same where its name or its device is. Where several are, each must arm the pin.
pub(super) fn as_in(model: &Model, new: &Model) -> Option<Model> {
    let mut kept = model.clone();
    for output in &mut kept.outputs {
        let mut same = new.outputs.iter().filter(|other| is_same((model, output), (new, other))).peekable();
        output.armed &= same.peek().is_some() && same.all(|other| other.armed);
    }
    (kept != *model).then_some(kept)
}

fn is_same((model, output): (&Model, &Output), (new, other): (&Model, &Output)) -> bool {
    let links = model.links.get(output.link.index()).zip(new.links.get(other.link.index()));
    output.pin == other.pin && links.is_some_and(|(old, new)| old.name == new.name || old.device == new.device)
}

/// A text of `model`, which is that of `text` with fewer outputs armed: the config that a recording is decoded by.
pub(super) fn text(text: &str, model: &Model) -> String {
    edited(text, model).filter(|edited| load(edited).model.as_ref() == Some(model)).unwrap_or_else(|| {
        // It loaded once and arms in no other way, so this is not reached; still, it is no longer the file's own text.
        format!("# some outputs were disarmed while driving\n{text}")
    })
}

fn edited(text: &str, model: &Model) -> Option<String> {
    let root = DeTable::parse(text).ok()?;
    let outputs = root.get_ref().get("output")?.get_ref().as_table()?;
    let armed = |output: &Output| Some(outputs.get(output.name.as_str())?.get_ref().as_table()?.get("armed")?.span());
    let mut spans: Vec<_> = model.outputs.iter().filter(|output| !output.armed).filter_map(armed).collect();
    // From the end, so that the places of the others stay.
    spans.sort_by_key(|span| std::cmp::Reverse(span.start));
    let mut edited = text.to_owned();
    for span in spans {
        edited.replace_range(span, "false");
    }
    Some(edited)
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    const TWO: &str = "format = 1\n[link.engine]\ndevice = \"/dev/a\"\n[channel.oil]\ninput = \"a1\"\nunit = \"V\"\n\
        [output.heater]\npin = \"d7\"\non = \"oil > 1\"\narmed = true\n\
        [output]\nfan = { pin = \"d8\", armed = true, on = \"oil > 1\" } # armed = true\n";

    fn two() -> (String, Model) {
        // Inline tables stand in the table above their sections.
        let (sections, fan) = TWO.split_once("[output]\n").unwrap();
        let text = sections.replace("[output.heater]", &format!("[output]\n{fan}[output.heater]"));
        let model = load(&text).model.unwrap();
        (text, model)
    }

    #[rstest]
    #[case::speed_alone("/dev/a\"", "/dev/a\"\nbaud = 9600", [true, true])]
    #[case::disarmed("[output.heater]", "[output.heater]\nlongest = \"9 s\"", [true, true])]
    #[case::name_alone("[link.engine]", "[link.motor]", [true, true])]
    #[case::device_alone("/dev/a", "/dev/b", [true, true])]
    #[case::neither("[link.engine]\ndevice = \"/dev/a\"", "[link.motor]\ndevice = \"/dev/b\"", [false, false])]
    #[case::one_not_armed("on = \"oil > 1\"\narmed = true", "on = \"oil > 1\"\narmed = false", [true, false])]
    #[case::one_left_out("armed = true, ", "", [false, true])]
    #[case::another_pin("\"d7\"", "\"d6\"", [true, false])]
    #[case::renamed_output("[output.heater]", "[output.warmer]", [true, true])]
    fn only_what_both_arm_stays_armed(#[case] from: &str, #[case] to: &str, #[case] fan_and_heater: [bool; 2]) {
        let (old_text, model) = two();
        assert!(old_text.contains(from), "{from}");
        let new = load(&old_text.replacen(from, to, 1)).model.unwrap();
        let kept = as_in(&model, &new);
        assert_eq!(kept.is_none(), fan_and_heater == [true, true]);
        let Some(kept) = kept else { return };
        for (name, armed) in ["fan", "heater"].into_iter().zip(fan_and_heater) {
            assert_eq!(kept.outputs.iter().find(|output| output.name == name).unwrap().armed, armed, "{name}");
        }
        let text = text(&old_text, &kept);
        assert_eq!(load(&text).model, Some(kept), "{text}");
    }

    #[test]
    fn nothing_is_ever_armed() {
        let (text, model) = two();
        let unarmed = load(&text.replace("armed = true", "armed = false")).model.unwrap();
        assert_eq!(as_in(&unarmed, &model), None);
    }
}

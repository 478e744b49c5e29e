//! The columns of an export: every channel of the configs of a recording, in the order in which they appear, and where it
//! is asked for every output.
//!
//! Owns which channel or output of the config in force fills which column. A channel is the same as long as its name and its unit
//! are: numbers of two units never stand in one column. No I/O.

use crate::config::Model;
use crate::record::Recording;
use crate::replay::Configs;
use crate::unit::Unit;

/// What fills a column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// A channel of the config in force.
    Channel(usize),
    /// What an output of it is to be.
    Wanted(usize),
    /// What the pin of an output reports.
    Pin(usize),
}

/// The most columns: far more than any vehicle has, so that a hostile recording cannot fill the memory.
const COLUMNS_MAX: usize = 2_000;

/// One column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// The channel.
    name: String,
    /// Its unit.
    unit: Unit,
    /// An earlier column has a channel of that name in another unit.
    again: bool,
}

impl Column {
    /// `name [unit]`; a pure number has no brackets. Names and units hold no comma, quote or line end, so that nothing
    /// need be quoted.
    pub fn label(&self) -> String {
        if self.unit == Unit::ONE && !self.again { self.name.clone() } else { format!("{} [{}]", self.name, self.unit) }
    }

    /// The name alone, where that tells it apart from the other columns; else the label.
    pub fn key(&self) -> String {
        if self.again { self.label() } else { self.name.clone() }
    }
}

/// The columns in their order.
#[derive(Clone, Debug, Default)]
pub struct Columns {
    list: Vec<Column>,
    left_out: Vec<Column>,
    /// Outputs have columns too.
    outputs: bool,
}

impl Columns {
    /// The channels of `model`, in its order, and with `outputs` then what each of its outputs is to be and is.
    pub fn of(model: &Model, outputs: bool) -> Self {
        let mut columns = Self { outputs, ..Self::default() };
        columns.add(model);
        columns
    }

    /// The channels of every config that `recording` holds, which is read through for that. What cannot be read is passed
    /// over here, since it is told when the rows are made.
    pub fn ahead(mut recording: Recording, configs: &mut Configs, outputs: bool) -> Self {
        let mut columns = Self::of(configs.first(), outputs);
        let mut before = None;
        loop {
            match recording.next() {
                Ok(None) => return columns,
                Ok(Some(item)) => {
                    let Some(text) = item.config() else { continue };
                    let (text, meaning) = configs.read(text);
                    // Every part of a drive has its config again.
                    if before.as_ref() != Some(&text)
                        && let Ok(model) = meaning
                    {
                        columns.add(&model);
                    }
                    before = Some(text);
                }
                Err(_) => {}
            }
        }
    }

    /// Adds the channels of `model` that are not there yet. True where there were any.
    pub fn add(&mut self, model: &Model) -> bool {
        let before = self.list.len();
        for (name, unit, _) in self.wished(model) {
            if self.list.len() < COLUMNS_MAX && self.find(&name, unit).is_none() {
                let again = self.list.iter().any(|column| column.name == name);
                self.list.push(Column { name, unit, again });
            }
        }
        self.list.len() > before
    }

    /// The columns.
    pub fn list(&self) -> &[Column] {
        &self.list
    }

    /// What of `model` fills each column. What has no column is remembered as left out.
    pub fn places(&mut self, model: &Model) -> Vec<Option<Place>> {
        let mut places = vec![None; self.list.len()];
        for (name, unit, place) in self.wished(model) {
            match self.find(&name, unit) {
                Some(column) => places[column] = Some(place),
                None => self.leave_out(&name, unit),
            }
        }
        places
    }

    /// What of `model` is to have a column. No channel has a dot in its name, so that no two are alike.
    fn wished(&self, model: &Model) -> Vec<(String, Unit, Place)> {
        let channels = model.channels.iter().enumerate();
        let mut all: Vec<_> =
            channels.map(|(place, channel)| (channel.name.clone(), channel.unit, Place::Channel(place))).collect();
        for (place, output) in model.outputs.iter().enumerate().filter(|_| self.outputs) {
            all.push((format!("{}.wanted", output.name), Unit::ONE, Place::Wanted(place)));
            all.push((format!("{}.pin", output.name), Unit::ONE, Place::Pin(place)));
        }
        all
    }

    /// Channels that have no column, since the columns were fixed before they appeared, as `name [unit]`.
    pub fn left_out(&self) -> Vec<String> {
        self.left_out.iter().map(Column::label).collect()
    }

    fn leave_out(&mut self, name: &str, unit: Unit) {
        let known = self.left_out.iter().any(|column| column.name == name && column.unit == unit);
        if !known && self.left_out.len() < COLUMNS_MAX {
            self.left_out.push(Column { name: name.to_owned(), unit, again: false });
        }
    }

    fn find(&self, name: &str, unit: Unit) -> Option<usize> {
        self.list.iter().position(|column| column.name == name && column.unit == unit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config;

    fn model(channels: &[(&str, &str)]) -> Model {
        let channel = |(name, unit): &(&str, &str)| {
            let sensor = format!("{{ kind = \"number\", unit = \"{unit}\" }}");
            format!("[channel.{name}]\ninput = \"{name}\"\nsensor = {sensor}\nunit = \"{unit}\"\n")
        };
        config::load(&channels.iter().map(channel).collect::<String>()).model.unwrap()
    }

    #[test]
    fn a_channel_in_another_unit_is_another_column() {
        let (bar, other) =
            (model(&[("oil", "bar"), ("gear", "1")]), model(&[("gear", "bar"), ("oil", "kPa"), ("oil_2", "bar")]));
        let mut columns = Columns::of(&bar, false);
        assert!(columns.add(&other) && !columns.add(&bar));
        let text = |text: fn(&Column) -> String| columns.list().iter().map(text).collect::<Vec<_>>();
        assert_eq!(text(Column::label), ["oil [bar]", "gear", "gear [bar]", "oil [kPa]", "oil_2 [bar]"]);
        assert_eq!(text(Column::key), ["oil", "gear", "gear [bar]", "oil [kPa]", "oil_2"]);
        assert_eq!(
            columns.places(&other),
            [None, None, Some(0), Some(1), Some(2)].map(|place| place.map(Place::Channel))
        );
        assert_eq!(columns.left_out(), [""; 0]);
    }

    #[test]
    fn what_comes_after_the_columns_are_fixed_is_left_out_and_named_once() {
        let mut columns = Columns::of(&model(&[("oil", "bar")]), false);
        for _ in 0..2 {
            assert_eq!(
                columns.places(&model(&[("water", "degC"), ("oil", "bar"), ("lamp", "1")])),
                [Some(Place::Channel(1))]
            );
        }
        assert_eq!(columns.left_out(), ["water [degC]", "lamp"]);
    }
}

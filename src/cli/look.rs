//! Flags that every verb with a screen takes.

use std::io::{self, IsTerminal as _};

use anyhow::bail;

use crate::drive::Picture;
use crate::screen::{Depth, GlyphSet, Look, LookSettings};

/// How to draw. What is left out is chosen from the terminal.
#[derive(Clone, Copy, Debug, clap::Args)]
#[command(next_help_heading = "Screen")]
pub struct Flags {
    /// The characters that gauges are drawn with
    #[arg(long, value_enum)]
    glyphs: Option<Glyphs>,

    /// How many colours the terminal has
    #[arg(long, value_enum)]
    colours: Option<Colours>,

    /// Begin with the dim palette for the night
    #[arg(long)]
    night: bool,

    /// Most pictures in a second
    #[arg(long, value_name = "N", default_value_t = 120, value_parser = frames, allow_hyphen_values = true)]
    frames: u32,
}

fn frames(text: &str) -> Result<u32, String> {
    let number = text.parse().ok().filter(|number| (1..=240).contains(number));
    number.ok_or_else(|| format!("{text} is no number of pictures; write one from 1 to 240, for example --frames 20"))
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum Glyphs {
    /// All of Unicode that gauges need
    Full,
    /// The 512 glyphs of a Linux console
    Console,
    /// Letters, digits and signs only
    Ascii,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum Colours {
    /// Black and white
    None,
    /// Eight
    #[value(name = "8")]
    Eight,
    /// Sixteen
    #[value(name = "16")]
    Sixteen,
    /// 256
    #[value(name = "256")]
    Palette,
    /// 24 bits
    True,
}

/// What a verb offers where there is no terminal to draw on.
#[derive(Clone, Copy, Debug)]
pub enum Instead {
    /// The flag that does without a screen.
    NoScreen,
    /// Another verb.
    Export,
    /// Nothing: it is all for the eye.
    Nothing,
}

impl Flags {
    /// The same for the screen. Fails where the output is no terminal or none that can show a picture: before any port
    /// is opened and before a recording is begun.
    pub fn picture(self, instead: Instead) -> anyhow::Result<Picture> {
        if !io::stdout().is_terminal() {
            let instead = match instead {
                Instead::NoScreen => ", or use --no-screen",
                Instead::Export => ", or write the values with `kickpanel export`",
                Instead::Nothing => "",
            };
            bail!("the screen needs a terminal, and the output is none; run it in one{instead}");
        }

        let look = LookSettings {
            glyphs: self.glyphs.map(|glyphs| match glyphs {
                Glyphs::Full => GlyphSet::Full,
                Glyphs::Console => GlyphSet::Console,
                Glyphs::Ascii => GlyphSet::Ascii,
            }),
            depth: self.colours.map(|colours| match colours {
                Colours::None => Depth::None,
                Colours::Eight => Depth::Eight,
                Colours::Sixteen => Depth::Sixteen,
                Colours::Palette => Depth::Indexed,
                Colours::True => Depth::True,
            }),
            night: self.night,
        };
        Look::here(look)?;
        Ok(Picture { look, frames_per_s: self.frames })
    }
}

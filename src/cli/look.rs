//! Flags that every verb with a screen takes.

use crate::drive::Picture;
use crate::screen::{Depth, GlyphSet, LookSettings};

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
    #[arg(long, value_name = "N", default_value_t = 60, value_parser = clap::value_parser!(u32).range(1..=240))]
    frames: u32,
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

impl Flags {
    /// The same for the screen.
    pub fn picture(self) -> Picture {
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
        Picture { look, frames_per_s: self.frames }
    }
}

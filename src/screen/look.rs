//! How things look on one terminal: its glyph set, its colours, day or night.
//!
//! Owns the palette and the rule that chooses it from the environment. At rest nearly everything is grey; amber means
//! caution and red means danger (IEC 60073, ISO 2575), and both are always joined by a word or a shape, so that the
//! palette without any colour says the same.

use std::borrow::Cow;
use std::fmt;

use ratatui::style::{Color, Modifier, Style};

use super::glyphs::{GlyphSet, Signs};
use crate::config::Level;
use crate::text;
use crate::unit::Unit;

/// How many colours the terminal can show.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Depth {
    /// None, or none wanted: bold, dim and reversed only.
    None,
    /// The eight of the oldest terminals.
    Eight,
    /// Those and their bright forms.
    Sixteen,
    /// The usual palette of 256.
    Indexed,
    /// 24 bits.
    True,
}

impl Depth {
    /// Every depth.
    pub const ALL: [Self; 5] = [Self::None, Self::Eight, Self::Sixteen, Self::Indexed, Self::True];
}

/// What the user asks for; whatever is left out is chosen from the environment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LookSettings {
    /// The glyph set.
    pub glyphs: Option<GlyphSet>,
    /// The colours.
    pub depth: Option<Depth>,
    /// Begin with the night palette.
    pub night: bool,
}

/// Why nothing can be drawn.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NoPicture {
    /// What `TERM` says.
    term: String,
}

impl fmt::Display for NoPicture {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let end = "no picture can be drawn on it; on a terminal that can, set TERM, for example TERM=xterm-256color";
        if self.term.is_empty() {
            write!(f, "the terminal does not say what it is (TERM is not set): {end}")
        } else {
            write!(f, "the terminal says that it shows plain text only (TERM={}): {end}", text::safe(&self.term))
        }
    }
}

impl std::error::Error for NoPicture {}

/// What a piece of the picture means; the palette gives it its colours. Later ones win where two share a cell.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Tone {
    /// Empty ground.
    #[default]
    Ground,
    /// Scales, rules, what is there but has nothing to say.
    Faint,
    /// A stretch beyond a caution limit that is not reached.
    CautionFaint,
    /// A stretch beyond a danger limit that is not reached.
    DangerFaint,
    /// Labels and units.
    Quiet,
    /// The filled part of a bar, the trace of a trend.
    Lit,
    /// Small values.
    Plain,
    /// Large values and pointers.
    Strong,
    /// Words in place of a number.
    Unsure,
    /// A notice.
    Notice,
    /// Caution.
    Caution,
    /// Danger.
    Danger,
    /// A surface that says notice.
    NoticeFill,
    /// A surface that says caution.
    CautionFill,
    /// A surface that says danger.
    DangerFill,
}

impl Tone {
    /// Every tone, in order.
    pub const ALL: [Self; 15] = [
        Self::Ground,
        Self::Faint,
        Self::CautionFaint,
        Self::DangerFaint,
        Self::Quiet,
        Self::Lit,
        Self::Plain,
        Self::Strong,
        Self::Unsure,
        Self::Notice,
        Self::Caution,
        Self::Danger,
        Self::NoticeFill,
        Self::CautionFill,
        Self::DangerFill,
    ];

    /// The tone of a value whose alarm of that level sounds.
    pub const fn of(level: Level) -> Self {
        match level {
            Level::Notice => Self::Notice,
            Level::Caution => Self::Caution,
            Level::Danger => Self::Danger,
        }
    }

    /// The surface of that level.
    pub const fn fill(level: Level) -> Self {
        match level {
            Level::Notice => Self::NoticeFill,
            Level::Caution => Self::CautionFill,
            Level::Danger => Self::DangerFill,
        }
    }

    /// The stretch beyond a limit of that level.
    pub const fn faint(level: Level) -> Self {
        match level {
            Level::Notice => Self::Faint,
            Level::Caution => Self::CautionFaint,
            Level::Danger => Self::DangerFaint,
        }
    }
}

/// Everything about the terminal that drawing needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Look {
    /// Its glyph set.
    pub glyphs: GlyphSet,
    /// Its colours.
    pub depth: Depth,
    /// The night palette is in use.
    pub night: bool,
    /// What blinks is bright now.
    pub lit: bool,
    styles: [Style; Tone::ALL.len()],
}

impl Look {
    /// A look with its palette.
    pub fn new(glyphs: GlyphSet, depth: Depth, night: bool) -> Self {
        Self { glyphs, depth, night, lit: true, styles: Tone::ALL.map(|tone| style(tone, depth, night)) }
    }

    /// Chooses by `settings`, then by the environment of this process.
    pub fn here(settings: LookSettings) -> Result<Self, NoPicture> {
        Self::choose(settings, |name| std::env::var(name).ok())
    }

    /// Chooses by `settings`, then by the environment, which `variable` reads (name to value).
    pub fn choose(settings: LookSettings, variable: impl Fn(&str) -> Option<String>) -> Result<Self, NoPicture> {
        let term = variable("TERM").unwrap_or_default();
        if matches!(term.as_str(), "" | "dumb" | "unknown") {
            return Err(NoPicture { term });
        }
        let glyphs = settings.glyphs.unwrap_or_else(|| glyphs_of(&term, &variable));
        let depth = settings.depth.unwrap_or_else(|| depth_of(&term, &variable));
        Ok(Self::new(glyphs, depth, settings.night))
    }

    /// The same terminal by day or by night.
    #[must_use]
    pub fn at_night(&self, night: bool) -> Self {
        Self::new(self.glyphs, self.depth, night)
    }

    /// The colours of `tone`.
    pub fn style(&self, tone: Tone) -> Style {
        self.styles[tone as usize]
    }

    /// The single characters of the glyph set.
    pub fn signs(&self) -> &'static Signs {
        self.glyphs.signs()
    }

    /// `text` made safe for the terminal and put into its glyph set; what it cannot show becomes `?`.
    pub fn text<'a>(&self, text: &'a str) -> Cow<'a, str> {
        if self.glyphs == GlyphSet::Full {
            return text::safe(text);
        }
        if text.chars().all(|c| self.glyphs.has(c)) {
            return Cow::Borrowed(text);
        }
        let safe = text::safe(text);
        Cow::Owned(safe.chars().map(|c| if self.glyphs.has(c) { c } else { '?' }).collect())
    }

    /// How `unit` is written: its symbol where the glyph set has it, else its name in the config.
    pub fn unit(&self, unit: Unit) -> String {
        let symbol = unit.symbol();
        if symbol.chars().all(|c| self.glyphs.has(c)) { symbol } else { unit.name() }
    }
}

fn glyphs_of(term: &str, variable: &impl Fn(&str) -> Option<String>) -> GlyphSet {
    let set = |name: &str| variable(name).filter(|value| !value.is_empty());
    // POSIX: the first of these that is set decides.
    let locale = set("LC_ALL").or_else(|| set("LC_CTYPE")).or_else(|| set("LANG")).unwrap_or_default();
    let locale = locale.to_ascii_lowercase();
    let unicode = locale.contains("utf-8") || locale.contains("utf8");
    match (term, unicode) {
        (_, false) => GlyphSet::Ascii,
        ("linux", true) => GlyphSet::Console,
        (_, true) => GlyphSet::Full,
    }
}

fn depth_of(term: &str, variable: &impl Fn(&str) -> Option<String>) -> Depth {
    // https://no-color.org: set and not empty, whatever its value.
    if variable("NO_COLOR").is_some_and(|value| !value.is_empty()) || term.ends_with("-m") || term.ends_with("-mono") {
        return Depth::None;
    }
    let colours = variable("COLORTERM").unwrap_or_default();
    if colours == "truecolor" || colours == "24bit" || term.ends_with("-direct") {
        return Depth::True;
    }
    if term.contains("256col") {
        return Depth::Indexed;
    }
    let sixteen = ["linux", "xterm", "screen", "tmux", "rxvt", "foot", "alacritty"];
    if term.ends_with("-16color") || sixteen.iter().any(|name| term == *name || term.starts_with(&format!("{name}-"))) {
        return Depth::Sixteen;
    }
    if term.starts_with("vt") { Depth::None } else { Depth::Eight }
}

fn style(tone: Tone, depth: Depth, night: bool) -> Style {
    match depth {
        Depth::None => without_colour(tone),
        Depth::Eight => eight(tone),
        Depth::Sixteen => sixteen(tone, night),
        Depth::Indexed => indexed(tone, night),
        Depth::True => full_colour(tone, night),
    }
}

fn without_colour(tone: Tone) -> Style {
    let with = |modifier| Style::reset().add_modifier(modifier);
    match tone {
        Tone::Faint | Tone::CautionFaint | Tone::DangerFaint => with(Modifier::DIM),
        Tone::Ground | Tone::Quiet | Tone::Lit | Tone::Plain => Style::reset(),
        Tone::Strong | Tone::Unsure | Tone::Notice | Tone::Caution | Tone::Danger => with(Modifier::BOLD),
        Tone::NoticeFill | Tone::CautionFill => with(Modifier::REVERSED),
        Tone::DangerFill => with(Modifier::REVERSED.union(Modifier::BOLD)),
    }
}

fn eight(tone: Tone) -> Style {
    let on_black = |colour| Style::new().fg(colour).bg(Color::Black);
    let bold = |colour| on_black(colour).add_modifier(Modifier::BOLD);
    match tone {
        // With so few colours a dim amber or red cannot be had; the patterns of the zones say it without.
        Tone::Ground | Tone::Faint | Tone::CautionFaint | Tone::DangerFaint | Tone::Quiet | Tone::Lit | Tone::Plain => {
            on_black(Color::Gray)
        }
        Tone::Unsure => on_black(Color::Yellow),
        Tone::Strong | Tone::Notice => bold(Color::Gray),
        Tone::Caution => bold(Color::Yellow),
        Tone::Danger => bold(Color::Red),
        Tone::NoticeFill => Style::new().fg(Color::Black).bg(Color::Gray),
        Tone::CautionFill => Style::new().fg(Color::Black).bg(Color::Yellow),
        Tone::DangerFill => Style::new().fg(Color::Gray).bg(Color::Red).add_modifier(Modifier::BOLD),
    }
}

fn sixteen(tone: Tone, night: bool) -> Style {
    let on_black = |colour| Style::new().fg(colour).bg(Color::Black);
    let (value, large) = if night { (Color::Gray, Color::Gray) } else { (Color::Gray, Color::White) };
    match tone {
        // As with eight: what is not reached must not be as bright as what is wrong.
        Tone::Ground | Tone::Faint | Tone::CautionFaint | Tone::DangerFaint | Tone::Lit => on_black(Color::DarkGray),
        Tone::Quiet => on_black(if night { Color::DarkGray } else { Color::Gray }),
        Tone::Unsure => on_black(Color::Yellow),
        Tone::Plain => on_black(value),
        Tone::Strong | Tone::Notice => on_black(large),
        Tone::Caution => on_black(if night { Color::Yellow } else { Color::LightYellow }),
        Tone::Danger => on_black(Color::LightRed),
        Tone::NoticeFill => Style::new().fg(Color::Black).bg(Color::Gray),
        Tone::CautionFill => Style::new().fg(Color::Black).bg(Color::Yellow),
        Tone::DangerFill => Style::new().fg(Color::White).bg(Color::Red),
    }
}

fn indexed(tone: Tone, night: bool) -> Style {
    let pick = |day: u8, dark: u8| Color::Indexed(if night { dark } else { day });
    let ground = Color::Indexed(16);
    let on_ground = |day, dark| Style::new().fg(pick(day, dark)).bg(ground);
    match tone {
        Tone::Ground | Tone::Faint => on_ground(240, 236),
        Tone::CautionFaint => on_ground(94, 58),
        Tone::DangerFaint => on_ground(88, 52),
        Tone::Quiet => on_ground(247, 242),
        Tone::Lit => on_ground(245, 240),
        Tone::Plain => on_ground(252, 247),
        Tone::Strong => on_ground(254, 249),
        Tone::Unsure => on_ground(179, 137),
        Tone::Notice => on_ground(231, 252),
        Tone::Caution => on_ground(214, 172),
        Tone::Danger => on_ground(203, 167),
        Tone::NoticeFill => Style::new().fg(pick(231, 250)).bg(pick(240, 237)),
        Tone::CautionFill => Style::new().fg(ground).bg(pick(214, 172)),
        Tone::DangerFill => Style::new().fg(pick(231, 224)).bg(pick(160, 88)).add_modifier(Modifier::BOLD),
    }
}

fn full_colour(tone: Tone, night: bool) -> Style {
    let pick = |day: u32, dark: u32| Color::from_u32(if night { dark } else { day });
    let ground = pick(0x000C_0D0E, 0x0000_0000);
    let on_ground = |day, dark| Style::new().fg(pick(day, dark)).bg(ground);
    match tone {
        Tone::Ground | Tone::Faint => on_ground(0x0056_5B60, 0x0033_3330),
        Tone::CautionFaint => on_ground(0x006E_501A, 0x0048_3512),
        Tone::DangerFaint => on_ground(0x007A_2A25, 0x004E_1E1A),
        Tone::Quiet => on_ground(0x009A_A0A6, 0x0070_6E68),
        Tone::Lit => on_ground(0x0070_767C, 0x004E_4C48),
        Tone::Plain => on_ground(0x00CC_D0D4, 0x009C_9991),
        Tone::Strong => on_ground(0x00DE_E1E4, 0x00AE_AAA0),
        Tone::Unsure => on_ground(0x00D0_A555, 0x00A0_7C3E),
        Tone::Notice => on_ground(0x00FF_FFFF, 0x00D0_CCC2),
        Tone::Caution => on_ground(0x00FF_B81C, 0x00CF_9216),
        Tone::Danger => on_ground(0x00FF_5A4A, 0x00DB_4A3C),
        Tone::NoticeFill => Style::new().fg(pick(0x00FF_FFFF, 0x00D0_CCC2)).bg(pick(0x003A_4046, 0x0026_2624)),
        Tone::CautionFill => Style::new().fg(Color::Rgb(0, 0, 0)).bg(pick(0x00FF_B81C, 0x00BE_8612)),
        Tone::DangerFill => Style::new()
            .fg(pick(0x00FF_FFFF, 0x00FF_D9D2))
            .bg(pick(0x00C8_1E1E, 0x0086_1A17))
            .add_modifier(Modifier::BOLD),
    }
}

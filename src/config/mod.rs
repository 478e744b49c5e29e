//! The config file: TOML text in, a validated [`Model`] or every mistake with its place out.
//!
//! Owns the names and meaning of the config, version 1, the formula syntax, and the report of mistakes. Reads no file,
//! knows nothing of links or screens. All that is left out gets its default here, so that the model is complete.
//! Every key stands in [`keys`].

mod alarms;
mod channels;
mod circuits;
mod curves;
mod events;
mod formula;
mod head;
mod inputs;
pub mod keys;
mod links;
mod model;
mod names;
mod nearest;
mod order;
mod outputs;
mod pages;
mod quantity;
mod read;
mod report;
mod sensors;
mod settings;
mod sink;

pub use model::*;
pub use nearest::nearest;
pub use report::report;

use channels::Channels;
use links::Links;
use read::Section;
use sink::{Sink, Span};
use toml::de::{DeTable, Error};

/// One thing wrong (or doubtful) in a config, and where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// The offending bytes of the text.
    pub span: std::ops::Range<usize>,
    /// The table it is in, for example `channel.coolant`; empty at the top.
    pub place: String,
    /// What is wrong, in a sentence without a full stop.
    pub what: String,
    /// What would be right, shown under the offending text.
    pub remedy: String,
    /// A warning leaves the config usable.
    pub warning: bool,
}

/// What came of a config text.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// The model; `None` where there is any mistake that is no warning.
    pub model: Option<Model>,
    /// All mistakes and warnings, in the order of the text.
    pub mistakes: Vec<Mistake>,
}

/// The most bytes of a config. One of a hundred channels has some 20,000.
pub const LONGEST: usize = 1_000_000;
/// A text in which TOML itself is broken in more places is no config: what it means is not looked at.
const MOST_BROKEN: usize = 100;

/// Reads a config text. Never panics, whatever the text.
///
/// ```
/// let loaded = kickpanel::config::load("[channel.oil]\ninput = \"a1\"\nunit = \"bra\"\n");
/// assert!(loaded.model.is_none());
/// assert_eq!(loaded.mistakes[0].what, "`bra` is no unit");
/// assert_eq!(loaded.mistakes[0].remedy, "did you mean `bar`?");
/// ```
pub fn load(text: &str) -> Loaded {
    let mut sink = Sink::default();
    if text.len() > LONGEST {
        let what = format!("the file has {} bytes, more than a config has", text.len());
        sink.error(Span::default(), what, format!("at most {LONGEST}; is it the right file?"));
        return Loaded { model: None, mistakes: sink.finish() };
    }
    let (root, errors) = DeTable::parse_recoverable(text);
    broken(errors.iter().take(MOST_BROKEN + 1), text, &mut sink);
    if errors.len() > MOST_BROKEN {
        return Loaded { model: None, mistakes: sink.finish() };
    }
    let model = model(&Section::new(root.get_ref(), Span::default()), text, &mut sink);
    let model = model.filter(|_| !sink.has_errors());
    Loaded { model, mistakes: sink.finish() }
}

/// Reports what the TOML parser says: of each line only the first, since the others follow from it.
fn broken<'e>(errors: impl Iterator<Item = &'e Error>, text: &str, sink: &mut Sink) {
    let mut line_end = None;
    for error in errors {
        let span = error.span().map_or(Span { start: text.len(), end: text.len() }, Span::from);
        if error.message().starts_with("duplicate key") {
            // The first one has been read, so that everything else can be judged by it.
            sink.error(span, "this stands twice", "take one of them out");
            continue;
        }
        if line_end.is_none_or(|end| span.start > end) {
            sink.error(span, "this is no valid TOML", in_plain_words(error.message(), span, text));
            let rest = text.get(span.start..).unwrap_or_default();
            line_end = Some(span.start + rest.find('\n').unwrap_or(rest.len()));
        }
        sink.wound(span);
    }
}

/// What the TOML parser says, in words for somebody who has not read its standard.
fn in_plain_words(message: &str, span: Span, text: &str) -> String {
    let words = match message {
        "string values must be quoted, expected literal string" if span.start == span.end => {
            "a value is missing behind the `=`"
        }
        "string values must be quoted, expected literal string"
        // What begins as `nan`, `inf`, `true` or `false` does is taken for one of them.
        | "invalid float, expected `nan`"
        | "invalid float, expected `inf`"
        | "invalid boolean, expected `true`"
        | "invalid boolean, expected `false`" => unquoted(span, text),
        "key with no value, expected `=`" => "a key is followed by `=` and its value",
        "unexpected key or value, expected newline, `#`" => "nothing may follow here on this line but a # remark",
        "unclosed array, expected `]`" => "the list is never closed: a `]` is missing",
        "unclosed table, expected `]`" => "a `]` is missing",
        "unclosed array table, expected `]`" => "a `]` is missing: `[[` is closed by `]]`",
        "missing comma between array elements, expected `,`" => "a comma or a `]` is missing before this",
        "invalid basic string, expected `\"`" => "the text is never closed: a `\"` is missing",
        "invalid literal string, expected `'`" => "the text is never closed: a `'` is missing",
        "invalid comment character, expected printable characters" => "a control character in a remark",
        "recursion limit" | "cannot recurse further; max recursion depth met" => "nested too deeply",
        message if message.starts_with("invalid unquoted key") => "a key has letters, digits, - and _, then `=`",
        message => message,
    };
    words.to_owned()
}

/// What to do about a word without quotation marks: where it is to be on or off, such marks would be wrong as well.
fn unquoted(span: Span, text: &str) -> &'static str {
    const YES_OR_NO: [&str; 10] = ["true", "false", "yes", "no", "on", "off", "y", "n", "t", "f"];
    let before = text.get(..span.start).unwrap_or_default().trim_end().trim_end_matches('=').trim_end();
    let key = before.rsplit(|c: char| !c.is_ascii_alphanumeric() && c != '_').next().unwrap_or_default();
    let word = text.get(span.start..span.end).unwrap_or_default().to_ascii_lowercase();
    if keys::TRUE_OR_FALSE.contains(&key) {
        "write `true` or `false`, in small letters and without quotation marks"
    } else if YES_OR_NO.contains(&word.as_str()) {
        "a text stands in quotation marks: \"…\"; what is on or off is `true` or `false`"
    } else {
        "a text stands in quotation marks: \"…\""
    }
}

/// The whole model; `None` where a channel could not be read.
fn model(top: &Section<'_>, text: &str, sink: &mut Sink) -> Option<Model> {
    top.only(&keys::TOP, sink);
    let name = head::name(top, sink);
    let mut links = Links::read(top, sink);
    let record = head::record(top, sink);
    let trust = head::trust(top, sink);
    let channels = channels::Reader::new(text, &mut links, sink).read(top);
    alarms::check_share_of_danger(top, sink);
    let events = events::read(top, &channels.names, text, sink);
    let mut pages = pages::read(top, &channels, sink);
    let outputs = outputs::read(top, &channels, &mut links, text, sink);
    if !outputs.is_empty() {
        pages::show_outputs(&mut pages, !top.has("page"));
    }
    let Channels { list, order, alarms, .. } = channels;
    let channels = list.into_iter().collect::<Option<Vec<_>>>()?;
    Some(Model { name, links: links.list, record, trust, channels, order, alarms, events, pages, outputs })
}

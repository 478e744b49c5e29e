//! The member names of a link's lines, and which usually follows which.
//!
//! Owns the learned order of names. In: a line and a place in it. Out: which name stands there. A usual line is compared
//! name by name with what came after each last time; only where that fails are the other names tried.

use super::fields::{Fields, Target};
use super::number::word;

/// Index of a name.
pub(super) type Key = u16;

/// The longest name that is learned; a longer one takes the exact way each time.
const LONGEST: usize = 64;

#[derive(Clone, Debug)]
struct Entry {
    /// The first eight bytes of `text`, the first one lowest.
    head: u64,
    /// Which of these bytes count.
    mask: u64,
    /// The name as it stands in a line: in quotation marks, with the colon.
    text: Box<[u8]>,
    target: Target,
    /// What came after it, the newest first.
    next: [Key; 2],
    /// The number of the line it stood in last.
    seen: u32,
}

/// All names that were learned. The first entry stands for the beginning of a line and fits nowhere.
#[derive(Clone, Debug)]
pub(super) struct Keys {
    entries: Vec<Entry>,
    line: u32,
}

impl Keys {
    /// The beginning of a line.
    pub(super) const BEGIN: Key = 0;

    /// Knows the names of the format and those that the config uses.
    pub(super) fn new(fields: &Fields) -> Self {
        let target = Target { class: super::fields::Class::Unknown, slot: Target::NOWHERE };
        let begin = Entry { head: 1, mask: 0, text: Box::default(), target, next: [0; 2], seen: 0 };
        let mut keys = Self { entries: vec![begin], line: 0 };
        for name in ["s", "t"].into_iter().chain(fields.names().iter().map(String::as_str)) {
            keys.learn(name, fields.target(name));
        }
        keys
    }

    /// Learns `name`, unless it is known or too long or would be written with escapes.
    pub(super) fn learn(&mut self, name: &str, target: Target) {
        let plain = |byte: u8| byte >= 0x20 && byte != b'"' && byte != b'\\';
        if name.len() > LONGEST || !name.bytes().all(plain) || self.find(name).is_some() {
            return;
        }
        let text: Box<[u8]> = format!("\"{name}\":").into_bytes().into();
        let mask = if text.len() < 8 { (1 << (8 * text.len())) - 1 } else { u64::MAX };
        let head = word(&text, 0);
        self.entries.push(Entry { head, mask, text, target, next: [0; 2], seen: self.line });
    }

    /// A new line begins: no name was seen in it.
    #[inline]
    pub(super) fn begin_line(&mut self) {
        self.line = self.line.wrapping_add(1);
    }

    /// The name at `at`, after `before`: what it is, and where its value begins. `None` where it is not known, or
    /// stood in this line already.
    #[inline]
    pub(super) fn follow(&mut self, before: Key, line: &[u8], at: usize) -> Option<(Key, Target, usize)> {
        let head = word(line, at);
        let [newest, other] = self.entries.get(usize::from(before))?.next;
        let key = if self.fits(newest, head, line, at) {
            newest
        } else if self.fits(other, head, line, at) {
            other
        } else {
            self.search(before, head, line, at)?
        };
        let entry = self.entries.get_mut(usize::from(key))?;
        if entry.seen == self.line {
            return None;
        }
        entry.seen = self.line;
        Some((key, entry.target, at + entry.text.len()))
    }

    #[inline]
    fn fits(&self, key: Key, head: u64, line: &[u8], at: usize) -> bool {
        let Some(entry) = self.entries.get(usize::from(key)) else { return false };
        if head & entry.mask != entry.head {
            return false;
        }
        entry.text.len() <= 8 || line.get(at..).is_some_and(|rest| rest.starts_with(&entry.text))
    }

    /// Tries every name, and remembers what follows `before`.
    #[cold]
    fn search(&mut self, before: Key, head: u64, line: &[u8], at: usize) -> Option<Key> {
        let count = Key::try_from(self.entries.len()).ok()?;
        let key = (1..count).find(|&key| self.fits(key, head, line, at))?;
        let next = &mut self.entries.get_mut(usize::from(before))?.next;
        *next = [key, next[0]];
        Some(key)
    }

    fn find(&self, name: &str) -> Option<Key> {
        let name = name.as_bytes();
        let same = |entry: &Entry| entry.text.get(1..entry.text.len().saturating_sub(2)) == Some(name);
        self.entries.iter().position(same).and_then(|key| Key::try_from(key).ok())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_found_in_any_order_and_refused_twice() {
        let fields = Fields::new(&["a0".into(), "oil_temperature".into()]);
        let mut keys = Keys::new(&fields);
        for order in [["a0", "oil_temperature", "t"], ["t", "a0", "oil_temperature"], ["oil_temperature", "t", "a0"]] {
            keys.begin_line();
            let mut before = Keys::BEGIN;
            for name in order {
                let line = format!("\"{name}\":1");
                let (key, target, at) = keys.follow(before, line.as_bytes(), 0).unwrap();
                assert_eq!((target, at), (fields.target(name), line.len() - 1));
                before = key;
            }
            assert_eq!(keys.follow(before, b"\"a0\":1,", 0), None);
        }
        keys.begin_line();
        assert_eq!(keys.follow(Keys::BEGIN, b"\"a00\":1,\"a0\":1", 0), None);
        assert_eq!(keys.follow(Keys::BEGIN, b"\"oil_temperatur", 0), None);
        assert_eq!(keys.follow(Keys::BEGIN, b"", 0), None);
    }
}

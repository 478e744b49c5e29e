//! A JSON text (RFC 8259) cut into its parts, which stay as they are written.
//!
//! Owns the cutting. `serde_json` judges the grammar of the whole text first; after that the places of commas and
//! brackets are certain. In: text. Out: names decoded, values as written, so that `5` is told from `5.0` and no digit is
//! lost. Knows no field. Any depth is taken: nothing here calls itself.

use std::borrow::Cow;

use serde::de::IgnoredAny;

/// A name and its value as written.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Member<'a> {
    pub name: Cow<'a, str>,
    pub value: &'a str,
}

/// The members of `line` in order, if it is one object and nothing else, blanks around it among that.
pub(super) fn object_line(line: &str) -> Option<Vec<Member<'_>>> {
    let one_object = line.starts_with('{') && line.ends_with('}') && serde_json::from_str::<IgnoredAny>(line).is_ok();
    if one_object { members(line) } else { None }
}

/// The members of an object in a text that was judged. `None` where it is no object, or a name is no text.
pub(super) fn members(object: &str) -> Option<Vec<Member<'_>>> {
    let mut rest = trim(object.strip_prefix('{')?);
    let mut members = Vec::new();
    while !rest.starts_with('}') {
        let (name, after) = split(rest);
        let (value, after) = split(trim(trim(after).strip_prefix(':')?));
        members.push(Member { name: text(name)?, value });
        rest = next(after);
    }
    Some(members)
}

/// The elements of an array in a text that was judged. `None` where it is no array.
pub(super) fn elements(array: &str) -> Option<Vec<&str>> {
    let mut rest = trim(array.strip_prefix('[')?);
    let mut elements = Vec::new();
    while !rest.starts_with(']') {
        let (value, after) = split(rest);
        elements.push(value);
        rest = next(after);
    }
    Some(elements)
}

/// The text that `value` writes. `None` where it is no text, or one with half a surrogate pair.
pub(super) fn text(value: &str) -> Option<Cow<'_, str>> {
    let within = value.strip_prefix('"')?.strip_suffix('"')?;
    if within.contains('\\') { serde_json::from_str(value).ok().map(Cow::Owned) } else { Some(Cow::Borrowed(within)) }
}

/// What follows a value: behind the comma, or at the closing bracket.
fn next(after: &str) -> &str {
    let after = trim(after);
    after.strip_prefix(',').map_or(after, trim)
}

fn trim(text: &str) -> &str {
    text.trim_start_matches([' ', '\t', '\r', '\n'])
}

/// The value at the beginning of `text`, and what stands behind it.
fn split(text: &str) -> (&str, &str) {
    let mut depth = 0_usize;
    let (mut in_text, mut escaped) = (false, false);
    for (place, byte) in text.bytes().enumerate() {
        if in_text {
            match byte {
                _ if escaped => escaped = false,
                b'\\' => escaped = true,
                b'"' => in_text = false,
                _ => {}
            }
            if !in_text && depth == 0 {
                return text.split_at(place + 1);
            }
            continue;
        }
        match byte {
            b'"' => in_text = true,
            b'{' | b'[' => depth += 1,
            b'}' | b']' if depth > 1 => depth -= 1,
            b'}' | b']' if depth == 1 => return text.split_at(place + 1),
            b'}' | b']' | b',' | b':' | b' ' | b'\t' | b'\r' | b'\n' if depth == 0 => return text.split_at(place),
            _ => {}
        }
    }
    (text, "")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_object_is_cut_into_names_and_values_as_written() {
        let line = r#"{"a" : 1.50 ,"b":[1,{"c":"}]\""}],"\u0063":"x,y" , "d":{},"":null}"#;
        let members = object_line(line).unwrap();
        let pairs: Vec<_> = members.iter().map(|member| (&*member.name, member.value)).collect();
        let expected = [("a", "1.50"), ("b", r#"[1,{"c":"}]\""}]"#), ("c", r#""x,y""#), ("d", "{}"), ("", "null")];
        assert_eq!(pairs, expected);
        assert_eq!(elements(members[1].value).unwrap(), ["1", r#"{"c":"}]\""}"#]);
        assert_eq!(elements("[ ]").unwrap(), [""; 0]);
        assert_eq!(members_of("{ }"), Some(0));
        assert_eq!(members_of("[]"), None);
    }

    fn members_of(text: &str) -> Option<usize> {
        members(text).map(|members| members.len())
    }
}

//! The nearest of some names to one that is not known, for "did you mean".
//!
//! Owns the edit distance. In: names. Out: the best of them, or none that is near enough. Knows nothing of the config.

/// Names longer than this are not compared: nobody mistypes that much, and it keeps the work small.
const LONGEST: usize = 64;

/// The known name that is nearest to `name`, if it is near enough to have been meant: at most a third of its letters are
/// wrong, or it is the beginning of the other. Capitals count as small letters.
pub fn nearest<'n>(name: &str, known: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    if name.is_empty() || name.len() > LONGEST {
        return None;
    }
    let name = name.to_lowercase();
    let most = (name.chars().count() / 3).max(1);
    known
        .into_iter()
        .filter(|candidate| candidate.len() <= LONGEST)
        .map(|candidate| (how_far(&name, &candidate.to_lowercase()), candidate))
        .filter(|&(far, _)| far <= most && far < name.chars().count())
        .min_by_key(|&(far, _)| far)
        .map(|(_, candidate)| candidate)
}

/// The distance, 1 at most where `name` is the beginning of `candidate`.
fn how_far(name: &str, candidate: &str) -> usize {
    let far = distance(name, candidate);
    if name.len() >= 3 && candidate.starts_with(name) { far.min(1) } else { far }
}

/// Fewest letters put in, left out, changed, or swapped with their neighbour that make `b` of `a`.
///
/// The restricted Damerau–Levenshtein distance, row by row.
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut before: Vec<usize> = Vec::new();
    let mut above: Vec<usize> = (0..=b.len()).collect();
    for (i, &x) in a.iter().enumerate() {
        let mut row = vec![i + 1];
        for (j, &y) in b.iter().enumerate() {
            let changed = above[j] + usize::from(x != y);
            let mut best = changed.min(above[j + 1] + 1).min(row[j] + 1);
            if i > 0 && j > 0 && x == b[j - 1] && a[i - 1] == y {
                best = best.min(before[j - 1] + 1);
            }
            row.push(best);
        }
        before = std::mem::replace(&mut above, row);
    }
    above[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case::swapped("resitsor", Some("resistor"))]
    #[case::left_out("resistr", Some("resistor"))]
    #[case::capitals("Resistor", Some("resistor"))]
    #[case::two_of_eight("rezizdor", None)]
    #[case::one_of_two("ta", Some("to"))]
    #[case::nothing_alike("banana", None)]
    #[case::empty("", None)]
    #[case::one_letter_for_another("x", None)]
    #[case::beginning("res", Some("resistor"))]
    fn the_nearest_name_is_near_enough_or_none(#[case] name: &str, #[case] expected: Option<&str>) {
        assert_eq!(nearest(name, ["kind", "resistor", "to"]), expected);
    }

    #[test]
    fn the_distance_is_that_of_the_classic_example() {
        // Three edits: the example of Wagner and Fischer's problem in every textbook (from memory).
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("", "abc"), 3);
        assert_eq!(distance("ab", "ba"), 1);
    }
}

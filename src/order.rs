//! Putting things in order.
//!
//! Owns: a stable sort whose bulk is compiled once. The sort of the standard library is compiled anew for each kind of
//! item, 7 kB a time; here it sorts places, and what comes for each kind is a comparison and a swap. In: a slice and what
//! orders it. Out: the slice in order. Never: used for each line, since it allocates.

use std::cmp::Ordering;

/// Puts items in order of a key; equal ones stay as they lie.
pub fn by_key<T, K: Ord>(items: &mut [T], key: impl Fn(&T) -> K) {
    by(items, |left, right| key(left).cmp(&key(right)));
}

/// Puts items in the order of a comparison; equal ones stay as they lie.
pub fn by<T>(items: &mut [T], compare: impl Fn(&T, &T) -> Ordering) {
    if items.len() > 1 {
        let places = places(items.len(), &|left, right| compare(&items[left], &items[right]));
        settle(places, &mut |left, right| items.swap(left, right));
    }
}

/// The places of items, in the order in which these belong.
fn places(count: usize, compare: &dyn Fn(usize, usize) -> Ordering) -> Vec<usize> {
    let mut places: Vec<usize> = (0..count).collect();
    places.sort_by(|left, right| compare(*left, *right));
    places
}

/// Swaps what belongs in each place to it.
fn settle(mut places: Vec<usize>, swap: &mut dyn FnMut(usize, usize)) {
    for place in 0..places.len() {
        let mut from = places[place];
        // What lay in a place that is done was swapped away from there: follow it.
        while from < place {
            from = places[from];
        }
        swap(place, from);
        places[place] = from;
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn the_order_is_that_of_the_standard_library(keys in prop::collection::vec(0_u8..20, 0..200)) {
            let numbered: Vec<_> = keys.into_iter().enumerate().collect();
            let (mut ours, mut theirs) = (numbered.clone(), numbered);
            by_key(&mut ours, |(_, key)| *key);
            theirs.sort_by_key(|(_, key)| *key);
            prop_assert_eq!(ours, theirs);
        }
    }
}

//! In which order channels are worked out, and the refusal of circles.
//!
//! Owns the sorting of dependencies. In: for each channel, what it depends on. Out: an order in which each comes after
//! all that it needs, or the circles. Walks without recursion, so that a circle of a thousand needs no deep stack.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Sorts `0..needs.len()`. Where there is a choice, the order of the file stands. The second part lists circles, each
/// channel of them followed by the one it needs; at most one for each group of channels that hang together.
pub(super) fn sort(needs: &[Vec<usize>]) -> (Vec<usize>, Vec<Vec<usize>>) {
    let mut waiting: Vec<usize> = needs.iter().map(Vec::len).collect();
    let mut used_by: Vec<Vec<usize>> = vec![Vec::new(); needs.len()];
    for (user, list) in needs.iter().enumerate() {
        for &need in list {
            used_by[need].push(user);
        }
    }
    let mut ready: BinaryHeap<Reverse<usize>> = (0..needs.len()).filter(|&at| waiting[at] == 0).map(Reverse).collect();
    let mut order = Vec::with_capacity(needs.len());
    while let Some(Reverse(at)) = ready.pop() {
        order.push(at);
        for &user in &used_by[at] {
            waiting[user] -= 1;
            if waiting[user] == 0 {
                ready.push(Reverse(user));
            }
        }
    }
    let circles = circles(needs, &waiting);
    (order, circles)
}

/// Follows, from each channel that could not be sorted, the first need that could not be sorted either.
fn circles(needs: &[Vec<usize>], waiting: &[usize]) -> Vec<Vec<usize>> {
    const NEVER: usize = usize::MAX;
    let mut seen_in: Vec<usize> = vec![NEVER; needs.len()];
    let mut found = Vec::new();
    for start in (0..needs.len()).filter(|&at| waiting[at] > 0) {
        let mut path = Vec::new();
        let mut at = start;
        while seen_in[at] == NEVER {
            seen_in[at] = start;
            path.push(at);
            // Whoever still waits, waits for one that waits too.
            let Some(&next) = needs[at].iter().find(|&&need| waiting[need] > 0) else { break };
            at = next;
        }
        if seen_in[at] == start {
            let begin = path.iter().position(|&step| step == at).unwrap_or(0);
            found.push(path.split_off(begin));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn each_comes_after_what_it_needs_else_in_the_order_of_the_file() {
        let needs = [vec![2], vec![], vec![3], vec![]];
        assert_eq!(sort(&needs), (vec![1, 3, 2, 0], vec![]));
    }

    #[test]
    fn a_circle_is_found_without_those_that_only_hang_on_it() {
        let needs = [vec![1], vec![2], vec![1], vec![]];
        assert_eq!(sort(&needs), (vec![3], vec![vec![1, 2]]));
    }

    #[test]
    fn a_channel_that_needs_itself_is_a_circle_of_one() {
        assert_eq!(sort(&[vec![0]]), (vec![], vec![vec![0]]));
    }

    #[test]
    fn two_circles_are_two() {
        let needs = [vec![1], vec![0], vec![3], vec![2]];
        assert_eq!(sort(&needs).1, [vec![0, 1], vec![2, 3]]);
    }

    #[test]
    fn a_circle_of_a_hundred_thousand_needs_no_deep_stack() {
        let needs: Vec<Vec<usize>> = (0..100_000).map(|at| vec![(at + 1) % 100_000]).collect();
        assert_eq!(sort(&needs).1[0].len(), 100_000);
    }

    proptest! {
        #[test]
        fn a_sorted_order_is_complete_or_there_is_a_circle(
            needs in prop::collection::vec(prop::collection::btree_set(0_usize..12, 0..3), 12)
        ) {
            let needs: Vec<Vec<usize>> = needs.into_iter().map(|set| set.into_iter().collect()).collect();
            let (order, circles) = sort(&needs);
            prop_assert_eq!(order.len() < needs.len(), !circles.is_empty());
            for (place, &at) in order.iter().enumerate() {
                for need in &needs[at] {
                    prop_assert!(order[..place].contains(need));
                }
            }
            for circle in circles {
                for (place, at) in circle.iter().enumerate() {
                    prop_assert!(needs[*at].contains(&circle[(place + 1) % circle.len()]));
                }
            }
        }
    }
}

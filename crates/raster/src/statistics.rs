//! Order statistics.

use std::cmp::Ordering;

/// The middle value in ascending order, the upper of the two in the middle of an even number; `None` without values.
/// The values are reordered.
pub fn median<T: Copy>(values: &mut [T], order: impl FnMut(&T, &T) -> Ordering) -> Option<T> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, order).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_is_the_middle_or_the_upper_of_two() {
        for (mut values, wanted) in [
            (vec![], None),
            (vec![3.0], Some(3.0)),
            (vec![3.0, 1.0], Some(3.0)),
            (vec![f64::INFINITY, -1.0, 2.0], Some(2.0)),
            (vec![4.0, 1.0, 3.0, 2.0], Some(3.0)),
        ] {
            assert_eq!(median(&mut values, f64::total_cmp), wanted);
        }
    }
}

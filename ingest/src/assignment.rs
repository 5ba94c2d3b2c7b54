//! The best way to give rows and columns of a table of scores to each other, each at most once.
//!
//! The Hungarian method with potentials: H. W. Kuhn, "The Hungarian method for the assignment problem", Naval Research Logistics
//! Quarterly 2 (1955), in the form that adds one row at a time along a shortest augmenting path; O(rows² × columns).

/// For each row its column, so that the sum of the scores is as large as it can be. A score of 0 or less is no match.
///
/// All rows are equally long.
#[must_use]
pub fn best_assignment(scores: &[Vec<f64>]) -> Vec<Option<usize>> {
    let rows = scores.len();
    let given = scores.first().map_or(0, Vec::len);
    // a row may stay alone: it then takes one of as many columns that score nothing
    let columns = given + rows;
    let cost = |row: usize, column: usize| if column < given { -scores[row][column].max(0.0) } else { 0.0 };
    // position 0 of columns and rows stands for none
    let (mut row_potential, mut column_potential) = (vec![0.0; rows + 1], vec![0.0; columns + 1]);
    let mut row_of = vec![0_usize; columns + 1];
    for row in 1..=rows {
        row_of[0] = row;
        let mut shortest = vec![f64::INFINITY; columns + 1];
        let mut before = vec![0_usize; columns + 1];
        let mut done = vec![false; columns + 1];
        let mut at = 0;
        while row_of[at] != 0 {
            done[at] = true;
            let from = row_of[at];
            let (mut step, mut next) = (f64::INFINITY, 0);
            for column in (1..=columns).filter(|&column| !done[column]) {
                let reduced = cost(from - 1, column - 1) - row_potential[from] - column_potential[column];
                if reduced < shortest[column] {
                    shortest[column] = reduced;
                    before[column] = at;
                }
                if shortest[column] < step {
                    (step, next) = (shortest[column], column);
                }
            }
            for column in 0..=columns {
                if done[column] {
                    row_potential[row_of[column]] += step;
                    column_potential[column] -= step;
                } else {
                    shortest[column] -= step;
                }
            }
            at = next;
        }
        while at != 0 {
            row_of[at] = row_of[before[at]];
            at = before[at];
        }
    }
    let mut found = vec![None; rows];
    for column in 1..=given {
        if let Some(row) = row_of[column].checked_sub(1).filter(|&row| scores[row][column - 1] > 0.0) {
            found[row] = Some(column - 1);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The largest sum, by trying everything.
    fn best_sum(scores: &[Vec<f64>], taken: &mut Vec<usize>) -> f64 {
        let Some((first, rest)) = scores.split_first() else { return 0.0 };
        let mut best = best_sum(rest, taken);
        for (column, score) in first.iter().enumerate() {
            if !taken.contains(&column) {
                taken.push(column);
                best = best.max(score + best_sum(rest, taken));
                taken.pop();
            }
        }
        best
    }

    #[test]
    fn a_row_gives_way_where_it_has_another_choice() {
        let scores = vec![vec![0.9, 0.8], vec![0.7, 0.0]];
        assert_eq!(best_assignment(&scores), [Some(1), Some(0)]);
        assert_eq!(best_assignment(&[vec![0.0], vec![0.5], vec![0.6]]), [None, None, Some(0)]);
        assert!(best_assignment(&[]).is_empty());
    }

    proptest! {
        #[test]
        fn the_sum_is_the_largest_there_is(scores in (1_usize..5, 1_usize..5).prop_flat_map(|(rows, columns)| {
            prop::collection::vec(prop::collection::vec(prop_oneof![Just(0.0), 0.0..1.0], columns), rows)
        })) {
            let found = best_assignment(&scores);
            let columns: Vec<usize> = found.iter().flatten().copied().collect();
            prop_assert!(columns.iter().enumerate().all(|(at, column)| !columns[..at].contains(column)));
            let sum: f64 = found.iter().zip(&scores).filter_map(|(column, scores)| column.map(|column| scores[column])).sum();
            prop_assert!((sum - best_sum(&scores, &mut Vec::new())).abs() < 1e-9);
        }
    }
}

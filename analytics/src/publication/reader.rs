//! What a reader of published counts knows, and works out from totals and parts.

use std::collections::VecDeque;

/// A total and parts that lie inside it, as numbers of counts.
pub struct Sum {
    /// None: known from elsewhere.
    pub total: Option<usize>,
    pub total_count: i64,
    pub parts: Vec<usize>,
}

/// A sum, and what is known of it.
struct Known {
    sum: Sum,
    /// Parts that overlap add up to more than their total: then only one at a time can be subtracted.
    overlap: bool,
    /// Nothing lies inside the total but the parts.
    complete: bool,
    total: bool,
    parts: i64,
    /// Parts above zero that are not known.
    open: usize,
}

/// How a count is known: worked out or printed, or only because an equal one is.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Knows {
    Nothing,
    Equal,
    Itself,
}

pub struct Reader {
    counts: Vec<i64>,
    sums: Vec<Known>,
    /// By count, the sums that it is in, and whether as their total.
    within: Vec<Vec<(usize, bool)>>,
    /// By count, those that a reader knows with it.
    tied: Vec<Vec<usize>>,
    knows: Vec<Knows>,
    least: i64,
}

impl Reader {
    pub fn new(counts: Vec<i64>, sums: Vec<Sum>, tied: Vec<Vec<usize>>, least: i64) -> Self {
        let mut within = vec![Vec::new(); counts.len()];
        let sums: Vec<Known> = sums
            .into_iter()
            .enumerate()
            .map(|(at, sum)| {
                sum.total.into_iter().for_each(|total| within[total].push((at, true)));
                sum.parts.iter().for_each(|part| within[*part].push((at, false)));
                let all: i64 = sum.parts.iter().map(|part| counts[*part]).sum();
                Known {
                    overlap: all > sum.total_count,
                    complete: all == sum.total_count,
                    total: sum.total.is_none(),
                    parts: 0,
                    open: sum.parts.iter().filter(|part| counts[**part] > 0).count(),
                    sum,
                }
            })
            .collect();
        let knows = vec![Knows::Nothing; counts.len()];
        Self { counts, sums, within, tied, knows, least }
    }

    /// Tells the reader these counts, unless it could then work out one below the least; whether it was told.
    pub fn learns(&mut self, told: impl Iterator<Item = usize>) -> bool {
        let mut waiting: VecDeque<(usize, Knows)> = told.map(|cell| (cell, Knows::Itself)).collect();
        let mut learnt = Vec::new();
        while let Some((cell, how)) = waiting.pop_front() {
            let before = self.knows[cell];
            if before == how || before == Knows::Itself {
                continue;
            }
            self.knows[cell] = how;
            learnt.push((cell, before));
            if how == Knows::Itself {
                waiting.extend(self.tied[cell].iter().map(|equal| (*equal, Knows::Equal)));
            }
            if before == Knows::Nothing && !self.follows(cell, &mut waiting) {
                self.forget(&learnt);
                return false;
            }
        }
        true
    }

    /// What follows from one more count; false if it gives a small one away.
    fn follows(&mut self, cell: usize, waiting: &mut VecDeque<(usize, Knows)>) -> bool {
        self.count_in(cell, true);
        for (at, as_total) in &self.within[cell] {
            let known = &self.sums[*at];
            let small = |rest: i64| (1..self.least).contains(&rest);
            let is_known = |part: &&usize| self.knows[**part] != Knows::Nothing;
            let total = known.sum.total_count;
            let told = if known.overlap {
                let alone = |part: &usize| known.total && self.counts[*part] > 0 && small(total - self.counts[*part]);
                if *as_total { known.sum.parts.iter().filter(is_known).any(alone) } else { alone(&cell) }
            } else {
                known.total && small(total - known.parts)
            };
            if told {
                return false;
            }
            if known.complete && known.total && known.open == 1 {
                let open = known.sum.parts.iter().filter(|part| !is_known(part) && self.counts[**part] > 0);
                waiting.extend(open.map(|part| (*part, Knows::Itself)));
            } else if known.complete && !known.total && known.open == 0 {
                waiting.extend(known.sum.total.map(|total| (total, Knows::Itself)));
            }
        }
        true
    }

    fn count_in(&mut self, cell: usize, learnt: bool) {
        let count = self.counts[cell];
        for (at, as_total) in &self.within[cell] {
            let known = &mut self.sums[*at];
            if *as_total {
                known.total = learnt;
            } else {
                known.parts += if learnt { count } else { -count };
                if count > 0 {
                    known.open = if learnt { known.open - 1 } else { known.open + 1 };
                }
            }
        }
    }

    fn forget(&mut self, learnt: &[(usize, Knows)]) {
        for (cell, before) in learnt.iter().rev() {
            self.knows[*cell] = *before;
            if *before == Knows::Nothing {
                self.count_in(*cell, false);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn released(counts: &[i64], sums: Vec<Sum>, order: &[usize]) -> Vec<bool> {
        let mut reader = Reader::new(counts.to_vec(), sums, vec![Vec::new(); counts.len()], 5);
        order.iter().map(|cell| reader.learns(std::iter::once(*cell))).collect()
    }

    fn sum(counts: &[i64], total: usize, parts: &[usize]) -> Sum {
        Sum { total: Some(total), total_count: counts[total], parts: parts.to_vec() }
    }

    /// 23 = 12 + 8 + 3: with 12 and 8 out, 3 is left; so 8 stays back.
    #[test]
    fn the_smallest_part_that_would_leave_too_little_stays_back() {
        let counts = [23, 12, 8, 3];
        assert_eq!(released(&counts, vec![sum(&counts, 0, &[1, 2, 3])], &[0, 1, 2]), [true, true, false]);
    }

    /// 26 = 12 + 8 + 3 + 3: the two small ones hide each other.
    #[test]
    fn small_parts_that_hide_each_other_cost_nothing() {
        let counts = [26, 12, 8, 3, 3];
        assert_eq!(released(&counts, vec![sum(&counts, 0, &[1, 2, 3, 4])], &[0, 1, 2]), [true, true, true]);
    }

    /// Rows 3 + 9 = 12 and 8 + 10 = 18, columns 11 and 19: the 9 hides the 3 in its row, but the second column would give the 9 away with the 10.
    #[test]
    fn what_one_sum_hides_another_does_not_give_away() {
        let counts = [12, 18, 11, 19, 3, 9, 8, 10];
        let sums = vec![sum(&counts, 0, &[4, 5]), sum(&counts, 1, &[6, 7]), sum(&counts, 2, &[4, 6]), sum(&counts, 3, &[5, 7])];
        assert_eq!(released(&counts, sums, &[0, 1, 2, 3, 7, 5, 6]), [true, true, true, true, false, false, false]);
    }

    /// Parts of 40 machines seen in several age bands: 37 of them in one leaves 3 that were not.
    #[test]
    fn overlapping_parts_are_held_against_their_total_one_by_one() {
        let counts = [40, 37, 30, 20];
        assert_eq!(released(&counts, vec![sum(&counts, 0, &[1, 2, 3])], &[0, 1, 2, 3]), [true, false, true, true]);
    }
}

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

/// Equal counts by number, each with the side that it stands on; one that is known gives away those on other sides.
pub type Tie = Vec<(usize, usize)>;

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
    within: Lists<(usize, bool)>,
    ties: Vec<Tie>,
    /// By count, its ties, and the side on which it stands in each.
    tied: Lists<(usize, usize)>,
    knows: Vec<Knows>,
    least: i64,
}

impl Reader {
    pub fn new(counts: Vec<i64>, sums: Vec<Sum>, ties: Vec<Tie>, least: i64) -> Self {
        let sums: Vec<Known> = sums
            .into_iter()
            .map(|sum| {
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
        let members = || {
            sums.iter().enumerate().flat_map(|(at, known)| {
                let total = known.sum.total.iter().map(move |total| (*total, (at, true)));
                total.chain(known.sum.parts.iter().map(move |part| (*part, (at, false))))
            })
        };
        let within = Lists::of(counts.len(), members);
        let sides = || ties.iter().enumerate().flat_map(|(at, tie)| tie.iter().map(move |(side, cell)| (*cell, (at, *side))));
        let tied = Lists::of(counts.len(), sides);
        let knows = vec![Knows::Nothing; counts.len()];
        Self { counts, sums, within, ties, tied, knows, least }
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
                for (at, own) in self.tied.at(cell) {
                    let others = self.ties[*at].iter().filter(|(side, other)| side != own && self.knows[*other] == Knows::Nothing);
                    waiting.extend(others.map(|(_, other)| (*other, Knows::Equal)));
                }
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
        for (at, as_total) in self.within.at(cell) {
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
            if known.complete && known.open <= usize::from(known.total) {
                let parts = known.sum.parts.iter().filter(|part| known.total && self.counts[**part] > 0);
                let total = known.sum.total.iter().filter(|_| known.open == 0);
                let found = parts.chain(total).filter(|cell| self.knows[**cell] != Knows::Itself);
                waiting.extend(found.map(|cell| (*cell, Knows::Itself)));
            }
        }
        true
    }

    fn count_in(&mut self, cell: usize, learnt: bool) {
        let count = self.counts[cell];
        for (at, as_total) in self.within.at(cell) {
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

/// A list for each number, one after the other in memory.
struct Lists<T> {
    starts: Vec<usize>,
    items: Vec<T>,
}

impl<T: Copy + Default> Lists<T> {
    fn of<I: Iterator<Item = (usize, T)>>(numbers: usize, members: impl Fn() -> I) -> Self {
        let mut starts = vec![0; numbers + 1];
        members().for_each(|(number, _)| starts[number] += 1);
        let mut end = 0;
        for start in &mut starts {
            end += *start;
            *start = end;
        }
        // Filled from behind, so that each start ends where its list begins.
        let mut items = vec![T::default(); end];
        for (number, item) in members() {
            starts[number] -= 1;
            items[starts[number]] = item;
        }
        Self { starts, items }
    }

    fn at(&self, number: usize) -> &[T] {
        &self.items[self.starts[number]..self.starts[number + 1]]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn released(counts: &[i64], sums: Vec<Sum>, order: &[usize]) -> Vec<bool> {
        let mut reader = Reader::new(counts.to_vec(), sums, Vec::new(), 5);
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

    /// 20 = 12 + 8, and the 8 stands elsewhere too (3): with the 20 a reader has the 12, and then the 8 by itself, which is also the 8 of 11 = 8 + 3 (4).
    /// In whatever order the sums are looked at, the 20 stays back.
    #[test]
    fn what_an_equal_count_and_a_sum_tell_leads_on() {
        let counts = [20, 12, 8, 8, 8, 11];
        let ties = || vec![vec![(0, 2), (1, 3)], vec![(0, 2), (1, 4)]];
        let released = |sums: Vec<Sum>| {
            let mut reader = Reader::new(counts.to_vec(), sums, ties(), 5);
            [5, 3, 0, 1].map(|cell| reader.learns(std::iter::once(cell)))
        };
        let (first, second) = (|| sum(&counts, 0, &[1, 2]), || sum(&counts, 5, &[4]));
        assert_eq!(released(vec![first(), second()]), [true, true, false, false]);
        assert_eq!(released(vec![second(), first()]), [true, true, false, false]);
    }

    /// Parts of 40 machines seen in several age bands: 37 of them in one leaves 3 that were not.
    #[test]
    fn overlapping_parts_are_held_against_their_total_one_by_one() {
        let counts = [40, 37, 30, 20];
        assert_eq!(released(&counts, vec![sum(&counts, 0, &[1, 2, 3])], &[0, 1, 2, 3]), [true, false, true, true]);
    }
}

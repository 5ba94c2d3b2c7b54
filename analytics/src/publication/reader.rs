//! What a reader of published counts knows, and works out from totals and parts.

use std::collections::VecDeque;

use super::lists::Lists;

/// A count, by number.
pub type Cell = u32;

/// Totals, and parts that lie inside them.
#[derive(Default)]
pub struct Sums {
    totals: Vec<Total>,
    parts: Lists<Cell>,
}

#[derive(Clone, Copy)]
struct Total {
    /// None: known from elsewhere.
    cell: Option<Cell>,
    count: i64,
}

impl Sums {
    pub fn push(&mut self, total: Option<Cell>, count: i64, parts: impl Iterator<Item = Cell>) {
        self.totals.push(Total { cell: total, count });
        self.parts.push(parts);
    }

    pub fn append(&mut self, more: &Self) {
        self.totals.extend_from_slice(&more.totals);
        self.parts.append(&more.parts);
    }
}

/// What is known of a sum.
struct Known {
    total: Total,
    /// Parts that overlap add up to more than their total: then only one at a time can be subtracted.
    overlap: bool,
    /// Nothing lies inside the total but the parts.
    complete: bool,
    total_is_known: bool,
    /// What the known parts add up to.
    parts: i64,
    /// Parts above zero that are not known.
    open: u32,
}

/// Equal counts, each with the side that it stands on; one that is known gives away those on other sides.
pub type Ties = Lists<(u32, Cell)>;

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
    parts: Lists<Cell>,
    /// By count, the sums that it is in, and whether as their total.
    within: Lists<(u32, bool)>,
    ties: Ties,
    /// By count, its ties, and the side on which it stands in each.
    tied: Lists<(u32, u32)>,
    knows: Vec<Knows>,
    least: i64,
}

impl Reader {
    pub fn new(counts: Vec<i64>, sums: Sums, ties: Ties, least: i64) -> Self {
        let Sums { totals, parts } = sums;
        let within = Lists::of(counts.len(), || {
            totals.iter().zip(parts.iter()).zip(0..).flat_map(|((total, parts), at)| {
                total.cell.iter().map(move |total| (*total, (at, true))).chain(parts.iter().map(move |part| (*part, (at, false))))
            })
        });
        let tied =
            Lists::of(counts.len(), || ties.iter().zip(0..).flat_map(|(tie, at)| tie.iter().map(move |(side, cell)| (*cell, (at, *side)))));
        let known = |(total, parts): (&Total, &[Cell])| {
            let all: i64 = parts.iter().map(|part| counts[*part as usize]).sum();
            Known {
                total: *total,
                overlap: all > total.count,
                complete: all == total.count,
                total_is_known: total.cell.is_none(),
                parts: 0,
                open: parts.iter().filter(|part| counts[**part as usize] > 0).count() as u32,
            }
        };
        let sums = totals.iter().zip(parts.iter()).map(known).collect();
        let knows = vec![Knows::Nothing; counts.len()];
        Self { counts, sums, parts, within, ties, tied, knows, least }
    }

    fn count(&self, cell: Cell) -> i64 {
        self.counts[cell as usize]
    }

    fn how(&self, cell: Cell) -> Knows {
        self.knows[cell as usize]
    }

    /// Tells the reader these counts, unless it could then work out one below the least; whether it was told.
    pub fn learns(&mut self, told: impl Iterator<Item = Cell>) -> bool {
        let mut waiting: VecDeque<(Cell, Knows)> = told.map(|cell| (cell, Knows::Itself)).collect();
        let mut learnt = Vec::new();
        while let Some((cell, how)) = waiting.pop_front() {
            let before = self.how(cell);
            if before == how || before == Knows::Itself {
                continue;
            }
            self.knows[cell as usize] = how;
            learnt.push((cell, before));
            if how == Knows::Itself {
                for (at, own) in self.tied.at(cell as usize) {
                    let others =
                        self.ties.at(*at as usize).iter().filter(|(side, other)| side != own && self.how(*other) == Knows::Nothing);
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
    fn follows(&mut self, cell: Cell, waiting: &mut VecDeque<(Cell, Knows)>) -> bool {
        self.count_in(cell, true);
        for (at, as_total) in self.within.at(cell as usize) {
            let (known, parts) = (&self.sums[*at as usize], self.parts.at(*at as usize));
            let small = |rest: i64| (1..self.least).contains(&rest);
            let is_known = |part: &&Cell| self.how(**part) != Knows::Nothing;
            let total = known.total.count;
            let told = if known.overlap {
                let alone = |part: &Cell| known.total_is_known && self.count(*part) > 0 && small(total - self.count(*part));
                if *as_total { parts.iter().filter(is_known).any(alone) } else { alone(&cell) }
            } else {
                known.total_is_known && small(total - known.parts)
            };
            if told {
                return false;
            }
            if known.complete && known.open <= u32::from(known.total_is_known) {
                let parts = parts.iter().filter(|part| known.total_is_known && self.count(**part) > 0);
                let total = known.total.cell.iter().filter(|_| known.open == 0);
                let found = parts.chain(total).filter(|cell| self.how(**cell) != Knows::Itself);
                waiting.extend(found.map(|cell| (*cell, Knows::Itself)));
            }
        }
        true
    }

    fn count_in(&mut self, cell: Cell, learnt: bool) {
        let count = self.count(cell);
        for (at, as_total) in self.within.at(cell as usize) {
            let known = &mut self.sums[*at as usize];
            if *as_total {
                known.total_is_known = learnt;
            } else {
                known.parts += if learnt { count } else { -count };
                if count > 0 {
                    known.open = if learnt { known.open - 1 } else { known.open + 1 };
                }
            }
        }
    }

    fn forget(&mut self, learnt: &[(Cell, Knows)]) {
        for (cell, before) in learnt.iter().rev() {
            self.knows[*cell as usize] = *before;
            if *before == Knows::Nothing {
                self.count_in(*cell, false);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn released(counts: &[i64], sums: Sums, order: &[Cell]) -> Vec<bool> {
        let mut reader = Reader::new(counts.to_vec(), sums, Ties::default(), 5);
        order.iter().map(|cell| reader.learns(std::iter::once(*cell))).collect()
    }

    fn sums(counts: &[i64], of: &[(Cell, &[Cell])]) -> Sums {
        let mut sums = Sums::default();
        of.iter().for_each(|(total, parts)| sums.push(Some(*total), counts[*total as usize], parts.iter().copied()));
        sums
    }

    /// 23 = 12 + 8 + 3: with 12 and 8 out, 3 is left; so 8 stays back.
    #[test]
    fn the_smallest_part_that_would_leave_too_little_stays_back() {
        let counts = [23, 12, 8, 3];
        assert_eq!(released(&counts, sums(&counts, &[(0, &[1, 2, 3])]), &[0, 1, 2]), [true, true, false]);
    }

    /// 26 = 12 + 8 + 3 + 3: the two small ones hide each other.
    #[test]
    fn small_parts_that_hide_each_other_cost_nothing() {
        let counts = [26, 12, 8, 3, 3];
        assert_eq!(released(&counts, sums(&counts, &[(0, &[1, 2, 3, 4])]), &[0, 1, 2]), [true, true, true]);
    }

    /// Rows 3 + 9 = 12 and 8 + 10 = 18, columns 11 and 19: the 9 hides the 3 in its row, but the second column would give the 9 away with the 10.
    #[test]
    fn what_one_sum_hides_another_does_not_give_away() {
        let counts = [12, 18, 11, 19, 3, 9, 8, 10];
        let sums = sums(&counts, &[(0, &[4, 5]), (1, &[6, 7]), (2, &[4, 6]), (3, &[5, 7])]);
        assert_eq!(released(&counts, sums, &[0, 1, 2, 3, 7, 5, 6]), [true, true, true, true, false, false, false]);
    }

    /// 20 = 12 + 8, and the 8 stands elsewhere too (3): with the 20 a reader has the 12, and then the 8 by itself, which is also the 8 of 11 = 8 + 3 (4).
    /// In whatever order the sums are looked at, the 20 stays back.
    #[test]
    fn what_an_equal_count_and_a_sum_tell_leads_on() {
        let counts = [20, 12, 8, 8, 8, 11];
        let released = |of: &[(Cell, &[Cell])]| {
            let mut ties = Ties::default();
            ties.push([(0, 2), (1, 3)]);
            ties.push([(0, 2), (1, 4)]);
            let mut reader = Reader::new(counts.to_vec(), sums(&counts, of), ties, 5);
            [5, 3, 0, 1].map(|cell| reader.learns(std::iter::once(cell)))
        };
        assert_eq!(released(&[(0, &[1, 2]), (5, &[4])]), [true, true, false, false]);
        assert_eq!(released(&[(5, &[4]), (0, &[1, 2])]), [true, true, false, false]);
    }

    /// Parts of 40 machines seen in several age bands: 37 of them in one leaves 3 that were not.
    #[test]
    fn overlapping_parts_are_held_against_their_total_one_by_one() {
        let counts = [40, 37, 30, 20];
        assert_eq!(released(&counts, sums(&counts, &[(0, &[1, 2, 3])]), &[0, 1, 2, 3]), [true, false, true, true]);
    }
}

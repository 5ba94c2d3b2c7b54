//! Which pieces to carry under a budget: greedily, by value for money.
//!
//! Each part has a price and pieces of falling value (the first piece is likelier to be wanted than the second). Pieces are taken by
//! value per price, the next of each part at a time; one that no longer fits is passed over, and cheaper ones may still come. Against a
//! single piece that alone is worth more than all taken, that piece is taken.
//!
//! The best list is a knapsack. With `v` the value of the first piece passed over, the greedy value plus `v` bounds the best from above
//! (Dantzig 1957, Oper. Res. 5:266, from memory), so the loss is never more than that one piece. [`best_within_budget`] finds the exact
//! optimum by dynamic programming for prices in whole units of money, to hold the greedy list against.
//!
//! Assumption: values add up.

use crate::CannotEstimate;

/// A part: its price in the smallest unit of money, and the values of its first, second, ... piece, not rising.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    pub price: u64,
    pub piece_values: Vec<f64>,
}

/// Pieces taken of each part, what they cost and what they are worth.
#[derive(Debug, Clone, PartialEq)]
pub struct Selection {
    pub pieces: Vec<usize>,
    pub cost: u64,
    pub value: f64,
    /// No list within the budget is worth more than this.
    pub bound: f64,
}

/// The greedy list.
///
/// # Errors
/// A price of nothing, a value that is negative, rising or not finite.
pub fn greedy_within_budget(parts: &[Part], budget: u64) -> Result<Selection, CannotEstimate> {
    validate(parts)?;
    // All pieces by value for money; equal ones in the order of the parts. Values do not rise, so a part's pieces come in their order.
    let mut order: Vec<(usize, usize)> =
        parts.iter().enumerate().flat_map(|(part, of)| (0..of.piece_values.len()).map(move |piece| (part, piece))).collect();
    let ratio = |(part, piece): &(usize, usize)| parts[*part].piece_values[*piece] / parts[*part].price as f64;
    order.sort_by(|a, b| ratio(b).total_cmp(&ratio(a)).then(a.cmp(b)));
    let mut taken = Selection { pieces: vec![0; parts.len()], cost: 0, value: 0.0, bound: 0.0 };
    let mut bound: Option<f64> = None;
    for (part, piece) in order {
        let (price, value) = (parts[part].price, parts[part].piece_values[piece]);
        if taken.pieces[part] == piece && taken.cost + price <= budget {
            taken.pieces[part] += 1;
            taken.cost += price;
            taken.value += value;
        } else if bound.is_none() {
            // The part of the piece that would still fit, if pieces could be cut.
            bound = Some(taken.value + value * (budget - taken.cost) as f64 / price as f64);
        }
    }
    let affordable = parts.iter().enumerate().filter(|(_, part)| part.price <= budget && !part.piece_values.is_empty());
    let single = affordable.max_by(|a, b| a.1.piece_values[0].total_cmp(&b.1.piece_values[0]).then(b.0.cmp(&a.0)));
    let bound = bound.unwrap_or(taken.value);
    if let Some((position, part)) = single.filter(|(_, part)| part.piece_values[0] > taken.value) {
        let mut pieces = vec![0; parts.len()];
        pieces[position] = 1;
        return Ok(Selection { pieces, cost: part.price, value: part.piece_values[0], bound });
    }
    Ok(Selection { bound: bound.max(taken.value), ..taken })
}

/// The highest value within the budget, exactly; memory and time grow with the budget.
///
/// # Errors
/// As [`greedy_within_budget`].
pub fn best_within_budget(parts: &[Part], budget: u64) -> Result<f64, CannotEstimate> {
    validate(parts)?;
    let mut best = vec![0.0f64; budget as usize + 1];
    for part in parts {
        let previous = best.clone();
        for (money, cell) in best.iter_mut().enumerate() {
            let mut value = 0.0;
            for (piece, of_piece) in part.piece_values.iter().enumerate() {
                let cost = part.price as usize * (piece + 1);
                if cost > money {
                    break;
                }
                value += of_piece;
                *cell = cell.max(previous[money - cost] + value);
            }
        }
    }
    Ok(best[budget as usize])
}

fn validate(parts: &[Part]) -> Result<(), CannotEstimate> {
    let sound = |part: &Part| {
        part.price > 0
            && part.piece_values.iter().all(|value| value.is_finite() && *value >= 0.0)
            && part.piece_values.windows(2).all(|pair| pair[0] >= pair[1])
    };
    match parts.iter().find(|part| !sound(part)) {
        Some(part) => Err(CannotEstimate::InvalidInput(format!("a part needs a price, and values that do not rise: {part:?}"))),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_pcg::Pcg64Mcg;

    /// Budget 10. Pieces by value for money: A1 6/4, B1 4/3, A2 3/4, B2 1/3. A1 and B1 cost 7; A2 (4) does not fit, B2 does: 11. The bound
    /// cuts A2: 10 + 3 * 3/4. The best is also 11 (A1, B1, B2), against 9 for A1, A2.
    #[test]
    fn worked_example() {
        let parts = [Part { price: 4, piece_values: vec![6.0, 3.0] }, Part { price: 3, piece_values: vec![4.0, 1.0] }];
        let found = greedy_within_budget(&parts, 10).unwrap();
        assert_eq!((found.pieces, found.cost), (vec![1, 2], 10));
        assert!((found.value - 11.0).abs() < 1e-12 && (found.bound - 12.25).abs() < 1e-12);
        assert!((best_within_budget(&parts, 10).unwrap() - 11.0).abs() < 1e-12);
    }

    #[test]
    fn greedy_is_near_the_optimum_and_never_beyond_the_bound() {
        let mut rng = Pcg64Mcg::seed_from_u64(3);
        let mut shares = Vec::new();
        for _ in 0..500 {
            let parts: Vec<Part> = (0..rng.random_range(2..9))
                .map(|_| {
                    let mut piece_values: Vec<f64> = (0..rng.random_range(1..5)).map(|_| rng.random_range(0.0..1.0)).collect();
                    piece_values.sort_by(|a, b| b.total_cmp(a));
                    Part { price: rng.random_range(1..40), piece_values }
                })
                .collect();
            let budget = rng.random_range(20..150);
            let (greedy, best) = (greedy_within_budget(&parts, budget).unwrap(), best_within_budget(&parts, budget).unwrap());
            assert!(greedy.cost <= budget && greedy.value <= best + 1e-9 && best <= greedy.bound + 1e-9, "{parts:?} {budget}");
            if best > 0.0 {
                shares.push(greedy.value / best);
            }
        }
        let mean = shares.iter().sum::<f64>() / shares.len() as f64;
        assert!(mean > 0.98 && shares.iter().all(|share| *share >= 0.5), "{mean}");
    }

    #[test]
    fn a_free_part_or_a_rising_value_is_refused() {
        for part in [Part { price: 0, piece_values: vec![1.0] }, Part { price: 1, piece_values: vec![1.0, 2.0] }] {
            assert!(greedy_within_budget(&[part], 5).is_err());
        }
        assert_eq!(greedy_within_budget(&[], 5).unwrap().value, 0.0);
    }
}

//! Which components fail most often, and how sure it is that each belongs among the most frequent: a bootstrap over machines.
//!
//! Machines are resampled with replacement; the probability of belonging is the share of resamples in which the component is
//! among the `places` most frequent (ties are broken by order of the components, as in the ranking itself). Machines with the same faults are interchangeable, so
//! that resampling machines is drawing multinomial counts of fault profiles: `B` resamples of `K` profiles cost `B K` binomial draws,
//! however many machines there are.
//!
//! Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 6 (resampling the independent units); on bootstrapping ranks:
//! Goldstein & Spiegelhalter 1996, J. R. Stat. Soc. A 159:385. Assumption: machines are independent.

use rand::SeedableRng;
use rand_distr::{Binomial, Distribution};
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;

use crate::CannotEstimate;

/// Resamples that one stream of random numbers draws one after the other; each of these parts has its own, whatever thread draws it.
const RESAMPLES_IN_TURN: usize = 100;

/// Machines with the same faults.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Component (by position) and how often it failed on one such machine.
    pub faults: Vec<(usize, u64)>,
    pub machines: u64,
}

/// Probability, for each of `components`, that it is among the `places` that fail most.
///
/// # Errors
/// No machines, or a fault of a component that is not among `components`.
pub fn membership(profiles: &[Profile], components: usize, places: usize, resamples: usize, seed: u64) -> Result<Vec<f64>, CannotEstimate> {
    let machines: u64 = profiles.iter().map(|profile| profile.machines).sum();
    if machines == 0 || resamples == 0 {
        return Err(CannotEstimate::NoObservations);
    }
    if let Some((component, _)) = profiles.iter().flat_map(|p| &p.faults).find(|(component, _)| *component >= components) {
        return Err(CannotEstimate::InvalidInput(format!("component {component} of {components}")));
    }
    let parts: Vec<Vec<u64>> = (0..resamples.div_ceil(RESAMPLES_IN_TURN))
        .into_par_iter()
        .map(|part| {
            let in_turn = RESAMPLES_IN_TURN.min(resamples - part * RESAMPLES_IN_TURN);
            times_among(profiles, components, places, in_turn, &mut Pcg64Mcg::seed_from_u64(seed.wrapping_add(part as u64)))
        })
        .collect::<Result<_, _>>()?;
    Ok((0..components).map(|k| parts.iter().map(|among| among[k]).sum::<u64>() as f64 / resamples as f64).collect())
}

/// In how many resamples each component is among the most frequent.
fn times_among(
    profiles: &[Profile],
    components: usize,
    places: usize,
    resamples: usize,
    random: &mut Pcg64Mcg,
) -> Result<Vec<u64>, CannotEstimate> {
    let machines: u64 = profiles.iter().map(|profile| profile.machines).sum();
    let mut among = vec![0u64; components];
    let mut order: Vec<usize> = (0..components).collect();
    for _ in 0..resamples {
        let mut counts = vec![0u64; components];
        let (mut machines_left, mut drawn_from) = (machines, machines);
        for profile in profiles {
            let share = profile.machines as f64 / drawn_from as f64;
            let drawn = Binomial::new(machines_left, share.min(1.0)).map_err(|_| CannotEstimate::NotFinite)?.sample(random);
            machines_left -= drawn;
            drawn_from -= profile.machines;
            for (component, times) in &profile.faults {
                counts[*component] += times * drawn;
            }
            if drawn_from == 0 {
                break;
            }
        }
        order.sort_unstable_by(|a, b| counts[*b].cmp(&counts[*a]).then(a.cmp(b)));
        for component in order.iter().take(places).filter(|component| counts[**component] > 0) {
            among[*component] += 1;
        }
    }
    Ok(among)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn profile(component: usize, machines: u64) -> Profile {
        Profile { faults: vec![(component, 1)], machines }
    }

    #[test]
    fn a_clear_leader_always_belongs_and_equals_share_the_last_place() {
        // One place for two equal components of ten machines each: first wins if it has at least half of 20 draws,
        // P(X >= 10) = 1/2 + C(20,10) / 2^21 = 0.588.
        let found = membership(&[profile(0, 10), profile(1, 10)], 2, 1, 20_000, 7).unwrap();
        let expected = 0.5 + 184_756.0 / 2_097_152.0;
        assert!((found[0] - expected).abs() < 0.015, "{found:?}");
        assert!((found[0] + found[1] - 1.0).abs() < 1e-12);
        let clear = membership(&[profile(0, 500), profile(1, 20), profile(2, 20)], 3, 1, 2_000, 7).unwrap();
        assert_eq!(clear, [1.0, 0.0, 0.0]);
    }

    #[test]
    fn refuses_nothing_and_unknown_components() {
        assert_eq!(membership(&[], 2, 1, 10, 1), Err(CannotEstimate::NoObservations));
        assert!(matches!(membership(&[profile(3, 1)], 2, 1, 10, 1), Err(CannotEstimate::InvalidInput(_))));
    }
}

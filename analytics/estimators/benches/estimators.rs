//! What the heavier estimators cost: `cargo bench -p fixodds-estimators`.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::kaplan_meier::kaplan_meier;
use fixodds_estimators::observation::{LifeTally, Lifetime};
use fixodds_estimators::weibull::fit_weibull;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Machines that enter at some age and fail or leave before fifteen years.
fn tally(machines: usize) -> LifeTally {
    let mut random = Pcg64Mcg::seed_from_u64(1);
    let lifetimes: Vec<Lifetime> = (0..machines)
        .filter_map(|_| {
            let entry = (random.random::<f64>() * 3652.0).floor() / 365.25;
            let exit = entry + (1.0 + random.random::<f64>() * 1826.0).floor() / 365.25;
            Lifetime::new(entry, exit, random.random::<f64>() < 0.2).ok()
        })
        .collect();
    LifeTally::from_lifetimes(&lifetimes).expect("entries lie before exits")
}

fn benches(criterion: &mut Criterion) {
    let tally = tally(100_000);
    criterion.bench_function("kaplan_meier, 100,000 machines", |b| b.iter(|| kaplan_meier(&black_box(&tally).risk_table(), CONFIDENCE)));
    criterion.bench_function("weibull with b10 interval, 100,000 machines", |b| {
        b.iter(|| fit_weibull(black_box(&tally), CONFIDENCE).and_then(|fit| fit.b10()))
    });
}

criterion_group! { name = group; config = Criterion::default().sample_size(10); targets = benches }
criterion_main!(group);

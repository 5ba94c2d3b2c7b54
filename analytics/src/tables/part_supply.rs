//! `part_supply`: orders of parts against the law: how long they took, how many were late, and how many could not be had.

use std::collections::BTreeMap;

use duckdb::Row;
use fixodds_estimators::aalen_johansen::weighted_incidence;
use fixodds_estimators::binomial::{ClusterSums, clustered_wilson, wilson_from_share};
use fixodds_estimators::observation::{CauseRow, CompetingRiskTable};
use fixodds_estimators::{CONFIDENCE, CannotEstimate};

use super::evidence_sql;
use super::waits::{Waited, wait_quantile};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Cell, Estimated, EvidenceRows};

const QUANTILES: [(&str, f64); 2] = [("wait_median", 0.5), ("wait_p90", 0.9)];
/// Public holidays allowed for.
const HOLIDAYS: i64 = 4;

#[derive(PartialEq, Eq, PartialOrd, Ord, Clone)]
struct Slice {
    scope_id: i64,
    part_source: String,
    audience: Option<String>,
    law: Option<String>,
    statutory_class: Option<String>,
    period: String,
}

/// The orders of a slice under one limit of the law.
#[derive(Default)]
struct UnderLimit {
    waits: Vec<Waited>,
    refused: u64,
    /// Not refused, but nobody wrote down when they came.
    unrecorded: u64,
}

impl UnderLimit {
    /// Orders of which something is known of the wait.
    fn waited(&self) -> u64 {
        self.waits.iter().map(|wait| wait.delivered + wait.still_open).sum()
    }
}

/// By the limit in working days.
type Orders = BTreeMap<i64, UnderLimit>;

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("part_supply")?;
    let orders = read_orders(engine)?;
    shares(engine, &orders, &mut rows)?;
    for (slice, by_limit) in &orders {
        waits(engine, slice, by_limit, &mut rows);
    }
    Ok(rows)
}

fn read_orders(engine: &Engine) -> Result<BTreeMap<Slice, Orders>, AnalyticsError> {
    let mut orders: BTreeMap<Slice, Orders> = BTreeMap::new();
    engine.rows("part_supply", evidence_sql!("part_supply_waits"), |row| {
        let count = |name: &str| row.get::<_, i64>(name).map(|count| count as u64);
        let limit = orders.entry(read_slice(row)?).or_default().entry(row.get("delivery_working_days")?).or_default();
        let [delivered, still_open] = [count("delivered")?, count("still_open")?];
        if delivered + still_open > 0 {
            limit.waits.push(Waited { days: row.get("wait_working_days")?, delivered, still_open });
        }
        limit.refused += count("unavailable")?;
        limit.unrecorded += count("not_recorded")?;
        Ok(())
    })?;
    Ok(orders)
}

fn shares(engine: &Engine, orders: &BTreeMap<Slice, Orders>, rows: &mut EvidenceRows) -> Result<(), AnalyticsError> {
    engine.rows("part_supply", evidence_sql!("part_supply_counts"), |row| {
        let slice = read_slice(row)?;
        let statistic: String = row.get("statistic")?;
        let [all, events, machines]: [i64; 3] = [row.get("orders")?, row.get("events")?, row.get("machines")?];
        let sums = ClusterSums {
            clusters: row.get::<_, i64>("machines_decided")? as u64,
            events: events as f64,
            trials: row.get("trials")?,
            events_squared: row.get("events_squared")?,
            events_times_trials: row.get("events_times_trials")?,
            trials_squared: row.get("trials_squared")?,
        };
        let design_effect = clustered_wilson(&sums, CONFIDENCE).map_or(1.0, |share| share.design_effect);
        let mut cells = slice.cells();
        cells.extend([
            ("orders", all.into()),
            ("orders_open", row.get::<_, i64>("orders_open")?.into()),
            ("events", events.into()),
            ("machines", machines.into()),
        ]);
        let estimated =
            orders.get(&slice).ok_or(CannotEstimate::NoObservations).and_then(|orders| share(orders, &statistic, design_effect));
        cells.push(("statistic", statistic.into()));
        rows.push(engine.scope(slice.scope_id), &cells, &estimated);
        Ok(())
    })?;
    Ok(())
}

/// A share and the number of independent orders that its variance is worth.
struct Worth {
    share: f64,
    variance: f64,
    /// Orders that it can be told of, whatever the variance.
    told: f64,
}

/// The share of orders that a statistic says, at the law's limit; orders under several limits are averaged by their number.
fn share(orders: &Orders, statistic: &str, design_effect: f64) -> Estimated {
    let of_all = statistic.ends_with("unavailable");
    let size = |under: &UnderLimit| (under.waited() + if of_all { under.refused + under.unrecorded } else { 0 }) as f64;
    let all: f64 = orders.values().map(size).sum();
    if all == 0.0 {
        return Err(CannotEstimate::NoObservations);
    }
    let mut sum = Worth { share: 0.0, variance: 0.0, told: 0.0 };
    for (limit, under) in orders.iter().filter(|(_, under)| size(under) > 0.0) {
        let found = match statistic {
            "late" => late(under, *limit)?,
            "late_allowing_holidays" => late(under, *limit + HOLIDAYS)?,
            "unavailable" => refused(under),
            _ => late_or_refused(&refused(under), &late(under, *limit)?),
        };
        let weight = size(under) / all;
        sum.share += weight * found.share;
        sum.variance += weight * weight * found.variance;
        sum.told += found.told;
    }
    // A share of nothing or of all has no variance that could be seen.
    let independent = if sum.variance > 1e-12 { sum.share * (1.0 - sum.share) / sum.variance } else { sum.told };
    wilson_from_share(sum.share.clamp(0.0, 1.0), independent / design_effect, CONFIDENCE)
}

const DELIVERED: u32 = 1;

/// Orders that are not there when the limit has passed, of those that were not refused; open ones are censored.
fn late(under: &UnderLimit, limit: i64) -> Result<Worth, CannotEstimate> {
    let mut at_risk = under.waited();
    if at_risk == 0 {
        // All were refused: none of them could be late.
        return Ok(Worth { share: 0.0, variance: 0.0, told: 0.0 });
    }
    // A day later: an order may come on the day itself, and nothing happens at 0.
    let mut rows = Vec::with_capacity(under.waits.len());
    for wait in &under.waits {
        rows.push(CauseRow { time: wait.days as f64 + 1.0, at_risk, cause: DELIVERED, events: wait.delivered });
        at_risk -= wait.delivered + wait.still_open;
    }
    let last = under.waits.last().map_or(0, |wait| wait.days) as f64 + 1.0;
    let delivered = weighted_incidence(&CompetingRiskTable::new(rows, 0.0, last)?, limit as f64 + 1.0, |_| 1.0);
    let is_seen_through = under.waits.iter().any(|wait| wait.days > limit);
    if !is_seen_through && delivered.value < 1.0 - 1e-10 {
        return Err(CannotEstimate::NotReached);
    }
    let told: u64 = under.waits.iter().map(|wait| wait.delivered + if wait.days > limit { wait.still_open } else { 0 }).sum();
    Ok(Worth { share: 1.0 - delivered.value, variance: delivered.variance, told: told as f64 })
}

/// Refused orders, of all: one on a repaired machine was not refused, even where nobody wrote down when it came.
fn refused(under: &UnderLimit) -> Worth {
    let all = (under.waited() + under.refused + under.unrecorded) as f64;
    let share = under.refused as f64 / all;
    Worth { share, variance: share * (1.0 - share) / all, told: all }
}

/// Refusals compete and count at the order: u + (1 - u) late, the Aalen-Johansen incidence of "not there at the limit".
fn late_or_refused(refused: &Worth, late: &Worth) -> Worth {
    let share = refused.share + (1.0 - refused.share) * late.share;
    let variance = (1.0 - late.share).powi(2) * refused.variance + (1.0 - refused.share).powi(2) * late.variance;
    Worth { share, variance, told: refused.told }
}

/// Quantiles of the wait of orders that were not refused.
fn waits(engine: &Engine, slice: &Slice, by_limit: &Orders, rows: &mut EvidenceRows) {
    let mut days: BTreeMap<i64, Waited> = BTreeMap::new();
    for wait in by_limit.values().flat_map(|under| &under.waits) {
        let day = days.entry(wait.days).or_insert(Waited { days: wait.days, delivered: 0, still_open: 0 });
        day.delivered += wait.delivered;
        day.still_open += wait.still_open;
    }
    let waits: Vec<Waited> = days.into_values().collect();
    let orders: u64 = waits.iter().map(|wait| wait.delivered + wait.still_open).sum();
    if orders == 0 {
        return;
    }
    for (statistic, probability) in QUANTILES {
        let mut cells = slice.cells();
        cells.extend([("statistic", statistic.into()), ("orders", (orders as i64).into())]);
        rows.push(engine.scope(slice.scope_id), &cells, &wait_quantile(&waits, probability));
    }
}

fn read_slice(row: &Row<'_>) -> duckdb::Result<Slice> {
    Ok(Slice {
        scope_id: row.get("scope_id")?,
        part_source: row.get("part_source")?,
        audience: row.get("of_audience")?,
        law: row.get("of_law")?,
        statutory_class: row.get("of_class")?,
        period: row.get("period")?,
    })
}

impl Slice {
    fn cells(&self) -> Vec<(&'static str, Cell)> {
        vec![
            ("part_source", self.part_source.clone().into()),
            ("audience", self.audience.clone().into()),
            ("law", self.law.clone().into()),
            ("statutory_class", self.statutory_class.clone().into()),
            ("period", self.period.clone().into()),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of ten orders one was refused, six came after 5 days, one is open after 3, one came after 20, one is open after 30. Under a limit of 15 days: at day 5
    /// eight of nine wait, six come: 6/8 of those not refused are there, 1/4 is late. Of all, 9/10 were not refused: 9/10 (1/4) + 1/10 are late or refused.
    #[test]
    fn open_orders_are_censored_and_refused_ones_compete() {
        let wait = |days, delivered, still_open| Waited { days, delivered, still_open };
        let under = UnderLimit { waits: vec![wait(3, 0, 1), wait(5, 6, 0), wait(20, 1, 0), wait(30, 0, 1)], refused: 1, unrecorded: 0 };
        let orders = Orders::from([(15, under)]);
        for (statistic, expected) in
            [("late", 0.25), ("unavailable", 0.1), ("late_or_unavailable", 0.325), ("late_allowing_holidays", 0.25)]
        {
            let found = share(&orders, statistic, 1.0).unwrap();
            assert!((found.estimate - expected).abs() < 1e-12, "{statistic}: {found:?}");
            assert!(found.lower < expected && expected < found.upper);
        }
        // One more came on a day that nobody wrote down: it was not refused.
        let with_one = Orders::from([(15, UnderLimit { unrecorded: 1, ..orders.into_values().next().unwrap() })]);
        assert!((share(&with_one, "unavailable", 1.0).unwrap().estimate - 1.0 / 11.0).abs() < 1e-12);
    }

    /// Without open orders the interval is Wilson's.
    #[test]
    fn all_ended_is_a_plain_share() {
        let orders = Orders::from([(
            15,
            UnderLimit { waits: [2, 9, 20].map(|days| Waited { days, delivered: 10, still_open: 0 }).to_vec(), ..UnderLimit::default() },
        )]);
        let found = share(&orders, "late", 1.0).unwrap();
        let plain = fixodds_estimators::binomial::wilson(10, 30, CONFIDENCE).unwrap();
        assert!((found.lower - plain.lower).abs() < 1e-9 && (found.upper - plain.upper).abs() < 1e-9, "{found:?} {plain:?}");
        let none = share(&orders, "unavailable", 1.0).unwrap();
        let plain = fixodds_estimators::binomial::wilson(0, 30, CONFIDENCE).unwrap();
        assert!(none.estimate == 0.0 && (none.upper - plain.upper).abs() < 1e-9, "{none:?}");
    }

    #[test]
    fn a_limit_that_no_order_has_lived_to_see_is_not_reached() {
        let waits = vec![Waited { days: 2, delivered: 3, still_open: 5 }];
        let orders = Orders::from([(15, UnderLimit { waits, ..UnderLimit::default() })]);
        assert_eq!(share(&orders, "late", 1.0), Err(CannotEstimate::NotReached));
    }
}

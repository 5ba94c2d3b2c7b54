//! Curves over age: events are counted up to each age, so that two neighbouring points tell how many happened between them.

use std::collections::BTreeMap;

use super::rows::{ANY, PublishedTable};

/// Withholds points of a curve until `least` events, or none, lie between any two that are left; the end of the curve, which other rows
/// state too, is kept.
pub fn thin(table: &mut PublishedTable, least: i64) {
    let (Some(ages), Some(events)) = (table.dimension("age_years"), table.count("events")) else { return };
    if ages.iter().all(|age| *age == ANY) {
        return;
    }
    let mut curves: BTreeMap<(u32, u32, u32), Vec<(i64, usize)>> = BTreeMap::new();
    let key = |name: &str, row: usize| table.dimension(name).map_or(ANY, |values| values[row]);
    for (row, events) in events.iter().enumerate() {
        if let (Some(events), false) = (events, table.withheld[row]) {
            curves.entry((key("scope_level", row), key("scope", row), key("component", row))).or_default().push((*events, row));
        }
    }
    for mut points in curves.into_values() {
        points.sort_unstable_by(|a, b| b.cmp(a));
        let mut kept: Option<i64> = None;
        for (events, row) in points {
            if kept.is_some_and(|kept| (1..least).contains(&(kept - events))) {
                table.withheld[row] = true;
            } else {
                kept = Some(events);
            }
        }
    }
}

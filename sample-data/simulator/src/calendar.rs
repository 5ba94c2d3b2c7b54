//! Dates against ages in years of 365.25 days.

use chrono::{Datelike, Days, NaiveDate, Weekday};

const DAYS_PER_YEAR: f64 = 365.25;

/// Years from one day to another, negative if it lies before.
pub(crate) fn years_between(from: NaiveDate, to: NaiveDate) -> f64 {
    (to - from).num_days() as f64 / DAYS_PER_YEAR
}

/// The day on which a machine installed on `from` reaches an age.
pub(crate) fn day_at_age(from: NaiveDate, age_years: f64) -> NaiveDate {
    // A millionth of a day keeps whole days whole through the division and multiplication.
    add_days(from, (age_years * DAYS_PER_YEAR + 1e-6).max(0.0) as u64)
}

/// Saturates at the end of the calendar.
pub(crate) fn add_days(day: NaiveDate, days: u64) -> NaiveDate {
    day.checked_add_days(Days::new(days)).unwrap_or(NaiveDate::MAX)
}

/// Saturates at the beginning of the calendar.
pub(crate) fn days_before(day: NaiveDate, days: u64) -> NaiveDate {
    day.checked_sub_days(Days::new(days)).unwrap_or(NaiveDate::MIN)
}

/// Monday to Friday; the day after is the first.
pub(crate) fn add_working_days(day: NaiveDate, working_days: u64) -> NaiveDate {
    let mut day = day;
    let mut left = working_days;
    while left > 0 {
        day = add_days(day, 1);
        if !matches!(day.weekday(), Weekday::Sat | Weekday::Sun) {
            left -= 1;
        }
    }
    day
}

/// The workshop is closed on Sundays.
pub(crate) fn open_day(day: NaiveDate) -> NaiveDate {
    if day.weekday() == Weekday::Sun { add_days(day, 1) } else { day }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ages_and_days_agree_both_ways() {
        let installed = NaiveDate::from_ymd_opt(2011, 3, 5).unwrap();
        for days in 0..6000 {
            let day = add_days(installed, days);
            assert_eq!(day_at_age(installed, years_between(installed, day)), day);
        }
    }

    #[test]
    fn a_weekend_does_not_count() {
        let friday = NaiveDate::from_ymd_opt(2024, 3, 1).unwrap();
        assert_eq!(add_working_days(friday, 1), NaiveDate::from_ymd_opt(2024, 3, 4).unwrap());
        assert_eq!(add_working_days(friday, 6), NaiveDate::from_ymd_opt(2024, 3, 11).unwrap());
    }
}

//! The one place where numbers become words: per cents, money, rates, ranges, counts.
//!
//! Decimals follow the interval: an estimate is printed no finer than its width supports.

use crate::document::{Quantity, Unit};

const NO_BREAK_SPACE: char = '\u{a0}';
const EN_DASH: char = '–';
const MINUS: char = '\u{2212}';
const MOST_DECIMALS: usize = 4;
/// Smaller p and q values are only called smaller.
const LEAST_PROBABILITY: f64 = 0.0001;

/// The parts of a printed quantity; units are included except where a table column states them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Words {
    pub value: String,
    /// Without brackets, for example "29–39 %".
    pub interval: Option<String>,
    /// "n = 412".
    pub n: Option<String>,
}

impl Words {
    /// All parts on one line: "34 % (29–39 %), n = 412".
    pub fn joined(&self) -> String {
        let mut line = self.value.clone();
        if let Some(interval) = &self.interval {
            line.push_str(&format!(" ({interval})"));
        }
        if let Some(n) = &self.n {
            line.push_str(&format!(", {n}"));
        }
        line
    }
}

/// A quantity for a table cell: rates without their unit, which the column heading carries.
pub fn in_cell(quantity: &Quantity) -> Words {
    words(quantity, "")
}

/// A quantity for the middle of a sentence, with its unit: "3.2 per 100 machine-years (2.1–4.6, n = 41)".
pub fn in_sentence(quantity: &Quantity) -> String {
    let words = with_unit_in_value(quantity);
    let basis: Vec<String> = words.interval.into_iter().chain(words.n).collect();
    if basis.is_empty() { words.value } else { format!("{} ({})", words.value, basis.join(", ")) }
}

/// A quantity in parts, its unit beside the value.
pub fn with_unit_in_value(quantity: &Quantity) -> Words {
    let unit = match quantity.unit {
        Unit::PerMachineYear => format!(" {PER_100_MACHINE_YEARS}"),
        Unit::Minutes => " minutes".to_owned(),
        Unit::Years => " years".to_owned(),
        Unit::Kilograms => format!("{NO_BREAK_SPACE}kg"),
        Unit::Share | Unit::Money(_) | Unit::Ratio | Unit::Probability | Unit::Number => String::new(),
    };
    words(quantity, &unit)
}

/// A value without interval or count, for an axis tick: "20 %", "£40".
pub fn on_axis(value: f64, unit: &Unit) -> String {
    let scaled = value * scale(unit);
    let decimals =
        (0..=MOST_DECIMALS).find(|d| (scaled - round_to(scaled, *d)).abs() < 1e-9 * scaled.abs().max(1.0)).unwrap_or(MOST_DECIMALS);
    with_unit(&number(scaled, decimals), unit)
}

/// At most four characters for a heat map cell.
pub fn in_heat_cell(value: f64, unit: &Unit) -> String {
    let scaled = value * scale(unit);
    match scaled {
        0.0 => "0".to_owned(),
        v if v < 0.1 => "<.1".to_owned(),
        v if v < 9.95 => number(v, 1),
        v if v < 9_999.5 => format!("{v:.0}"),
        _ => ">9k".to_owned(),
    }
}

/// The words under a column heading or an axis.
pub fn unit_words(unit: &Unit) -> Option<String> {
    match unit {
        Unit::PerMachineYear => Some(PER_100_MACHINE_YEARS.to_owned()),
        Unit::Minutes => Some("minutes".to_owned()),
        Unit::Years => Some("years".to_owned()),
        Unit::Kilograms => Some("kg".to_owned()),
        Unit::Money(None) => Some("currency not stated".to_owned()),
        Unit::Share | Unit::Money(Some(_)) | Unit::Ratio | Unit::Probability | Unit::Number => None,
    }
}

const PER_100_MACHINE_YEARS: &str = "per 100 machine-years";

fn words(quantity: &Quantity, unit: &str) -> Words {
    let factor = scale(&quantity.unit);
    let value = quantity.value * factor;
    let interval = quantity.interval.map(|(lower, upper)| (lower * factor, upper * factor));
    let decimals = decimals_for(value, interval, &quantity.unit);
    // a p or q that is printed as nothing would read as impossible
    let is_tiny = quantity.unit == Unit::Probability && (0.0..LEAST_PROBABILITY).contains(&value);
    let printed = if is_tiny { format!("below {LEAST_PROBABILITY}") } else { number(value, decimals) };
    Words {
        value: with_unit(&printed, &quantity.unit) + unit,
        interval: interval.map(|(lower, upper)| range(&number(lower, decimals), &number(upper, decimals), &quantity.unit)),
        n: quantity.n.map(|n| format!("n{NO_BREAK_SPACE}={NO_BREAK_SPACE}{}", count(n))),
    }
}

fn scale(unit: &Unit) -> f64 {
    match unit {
        Unit::Share | Unit::PerMachineYear => 100.0,
        _ => 1.0,
    }
}

fn with_unit(number: &str, unit: &Unit) -> String {
    match unit {
        Unit::Share => format!("{number}{NO_BREAK_SPACE}%"),
        Unit::Money(Some(code)) => money_sign(code, number),
        _ => number.to_owned(),
    }
}

/// An amount in whole units of its currency.
#[must_use]
pub fn money(amount: f64, code: &str) -> String {
    let digits = format!("{:.0}", amount.abs());
    let minus = if amount < 0.0 && digits != "0" { MINUS.to_string() } else { String::new() };
    money_sign(code, &format!("{minus}{digits}"))
}

fn money_sign(code: &str, number: &str) -> String {
    let (minus, digits) = match number.strip_prefix(MINUS) {
        Some(digits) => (MINUS.to_string(), digits),
        None => (String::new(), number),
    };
    match code {
        "GBP" => format!("{minus}£{digits}"),
        "EUR" => format!("{minus}€{digits}"),
        _ => format!("{code}{NO_BREAK_SPACE}{number}"),
    }
}

fn range(lower: &str, upper: &str, unit: &Unit) -> String {
    let lower = if let Unit::Money(Some(_)) = unit { with_unit(lower, unit) } else { lower.to_owned() };
    let upper = with_unit(upper, unit);
    let negative = lower.contains(MINUS) || upper.contains(MINUS);
    if negative { format!("{lower} to {upper}") } else { format!("{lower}{EN_DASH}{upper}") }
}

/// Decimals so that the interval is at least three units of the last digit wide and no positive value reads as zero.
fn decimals_for(value: f64, interval: Option<(f64, f64)>, unit: &Unit) -> usize {
    let most = match unit {
        Unit::Years => 1,
        Unit::Money(_) => 2,
        _ => MOST_DECIMALS,
    };
    let by_width = match interval.map(|(lower, upper)| upper - lower).filter(|width| width.is_finite() && *width > 0.0) {
        Some(width) => (0..most).find(|d| width * 10f64.powi(*d as i32) >= 3.0).unwrap_or(most),
        None => match unit {
            Unit::Share | Unit::Minutes | Unit::Money(_) => 0,
            Unit::Probability => 3,
            _ if value.abs() >= 100.0 || value.fract() == 0.0 => 0,
            _ => 1,
        },
    };
    // Cents are printed whole or not at all.
    let by_width = if matches!(unit, Unit::Money(_)) && by_width > 0 { 2 } else { by_width };
    (by_width..=most).find(|d| value == 0.0 || round_to(value, *d) != 0.0).unwrap_or(most)
}

fn round_to(value: f64, decimals: usize) -> f64 {
    let factor = 10f64.powi(decimals as i32);
    (value * factor).round() / factor
}

/// A finite number with thousands separators and a typographic minus; anything else says so.
fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "not a finite number".to_owned();
    }
    let printed = format!("{:.decimals$}", value.abs());
    let (whole, fraction) = printed.split_once('.').map_or((printed.as_str(), None), |(whole, fraction)| (whole, Some(fraction)));
    let mut text = String::new();
    if value < 0.0 && printed.chars().any(|c| ('1'..='9').contains(&c)) {
        text.push(MINUS);
    }
    for (place, digit) in whole.chars().enumerate() {
        if place > 0 && (whole.len() - place).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    if let Some(fraction) = fraction {
        text.push('.');
        text.push_str(fraction);
    }
    text
}

/// A whole number with thousands separators: "12,345".
pub fn count(count: i64) -> String {
    let digits = number(count.unsigned_abs() as f64, 0);
    if count < 0 { format!("{MINUS}{digits}") } else { digits }
}

/// A count with its noun: "1 job", "12,345 jobs".
pub fn count_of(number: i64, one: &str, many: &str) -> String {
    format!("{} {}", count(number), if number == 1 { one } else { many })
}

/// A span of ages in years: "2–3 years", "15 years and over"; `None` when the row covers all ages.
pub fn age_band(from_years: Option<f64>, to_years: Option<f64>) -> Option<String> {
    match (from_years, to_years) {
        (None, None) => None,
        (Some(from), Some(to)) => Some(format!("{}{EN_DASH}{} years", plain(from), plain(to))),
        (Some(from), None) => Some(format!("{} years and over", plain(from))),
        (None, Some(to)) => Some(format!("under {} years", plain(to))),
    }
}

/// A day as it cannot be misread, and in one piece on a line: "30 June 2026". Anything but an ISO date stays as it is.
pub fn date(iso: &str) -> String {
    const MONTHS: [&str; 12] =
        ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"];
    let mut parts = iso.splitn(3, '-').map(str::parse::<usize>);
    match (parts.next(), parts.next(), parts.next()) {
        (Some(Ok(year)), Some(Ok(month @ 1..=12)), Some(Ok(day @ 1..=31))) => {
            format!("{day}{NO_BREAK_SPACE}{}{NO_BREAK_SPACE}{year}", MONTHS[month - 1])
        }
        _ => iso.to_owned(),
    }
}

/// A probability from resampling, which is never quite nothing and never quite certain.
pub fn probability(probability: f64) -> String {
    match probability {
        p if p > 0.995 => format!("over 99{NO_BREAK_SPACE}%"),
        p if p < 0.005 => format!("under 1{NO_BREAK_SPACE}%"),
        p => format!("{:.0}{NO_BREAK_SPACE}%", p * 100.0),
    }
}

/// A number as short as it can be written exactly to one decimal: "3", "2.5".
pub fn plain(value: f64) -> String {
    number(value, usize::from(round_to(value, 0) != round_to(value, 1)))
}

/// "a", "a and b", "a, b and c".
pub fn enumeration(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [only] => only.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// The text with its first letter in upper case.
pub fn sentence_case(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// The text as a sentence: a large first letter and a full stop.
pub fn sentence(text: &str) -> String {
    let text = sentence_case(text.trim());
    if text.is_empty() || text.ends_with(['.', '!', '?']) { text } else { text + "." }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn share(value: f64, lower: f64, upper: f64) -> Quantity {
        Quantity::new(value, Unit::Share).between(lower, upper)
    }

    #[test]
    fn shares_are_per_cents_with_interval_and_n() {
        assert_eq!(in_sentence(&share(0.34, 0.29, 0.39).with_n(412)), "34\u{a0}% (29–39\u{a0}%, n\u{a0}=\u{a0}412)");
        assert_eq!(in_cell(&share(0.34, 0.29, 0.39).with_n(412)).joined(), "34\u{a0}% (29–39\u{a0}%), n\u{a0}=\u{a0}412");
    }

    #[test]
    fn decimals_follow_the_width_of_the_interval() {
        assert_eq!(in_cell(&share(0.3412, 0.3371, 0.3453)).joined(), "34.1\u{a0}% (33.7–34.5\u{a0}%)");
        assert_eq!(in_cell(&share(0.3412, 0.3402, 0.3422)).joined(), "34.12\u{a0}% (34.02–34.22\u{a0}%)");
        assert_eq!(in_cell(&share(0.34, 0.2, 0.5)).joined(), "34\u{a0}% (20–50\u{a0}%)");
    }

    #[test]
    fn a_positive_value_never_reads_as_zero() {
        assert_eq!(in_cell(&share(0.004, 0.0, 0.06)).joined(), "0.4\u{a0}% (0.0–6.0\u{a0}%)");
        assert_eq!(in_cell(&share(0.0, 0.0, 0.03)).joined(), "0\u{a0}% (0–3\u{a0}%)");
    }

    #[test]
    fn rates_are_per_hundred_machine_years() {
        let rate = Quantity::new(0.032, Unit::PerMachineYear).between(0.021, 0.046).with_n(41);
        assert_eq!(in_sentence(&rate), "3.2 per 100 machine-years (2.1–4.6, n\u{a0}=\u{a0}41)");
    }

    #[test]
    fn money_carries_its_currency() {
        let cost = |code: Option<&str>| Quantity::new(1234.4, Unit::Money(code.map(str::to_owned))).between(1180.0, 1290.0);
        assert_eq!(in_sentence(&cost(Some("GBP"))), "£1,234 (£1,180–£1,290)");
        assert_eq!(in_sentence(&cost(Some("CHF"))), "CHF\u{a0}1,234 (CHF\u{a0}1,180–CHF\u{a0}1,290)");
        assert_eq!(in_sentence(&cost(None)), "1,234 (1,180–1,290)");
    }

    #[test]
    fn negative_ends_are_not_joined_by_a_dash() {
        assert_eq!(in_sentence(&Quantity::new(-2.4, Unit::Number).between(-3.4, -0.8)), "\u{2212}2.4 (\u{2212}3.4 to \u{2212}0.8)");
    }

    #[test]
    fn a_p_or_q_is_never_nothing() {
        let printed = [0.0, f64::MIN_POSITIVE, 0.00009, 0.0001, 0.012].map(|p| in_cell(&Quantity::new(p, Unit::Probability)).value);
        assert_eq!(printed, ["below 0.0001", "below 0.0001", "below 0.0001", "0.0001", "0.012"]);
    }

    #[test]
    fn what_is_not_finite_says_so() {
        assert_eq!(in_cell(&Quantity::new(f64::NAN, Unit::Number)).value, "not a finite number");
    }

    #[test]
    fn counts_bands_and_lists() {
        assert_eq!(count_of(1_234_567, "job", "jobs"), "1,234,567 jobs");
        assert_eq!(count_of(1, "job", "jobs"), "1 job");
        assert_eq!(count(i64::MIN), "\u{2212}9,223,372,036,854,775,808");
        assert_eq!(age_band(Some(15.0), None).as_deref(), Some("15 years and over"));
        assert_eq!(age_band(Some(2.0), Some(3.0)).as_deref(), Some("2–3 years"));
        assert_eq!(age_band(None, None), None);
        assert_eq!(enumeration(&["a".into(), "b".into(), "c".into()]), "a, b and c");
    }

    #[test]
    fn ages_have_one_decimal_at_most() {
        assert_eq!(in_cell(&Quantity::new(5.986, Unit::Years).between(5.831, 6.14)).joined(), "6.0 (5.8–6.1)");
        assert_eq!(in_cell(&Quantity::new(0.01, Unit::Years).between(0.0, 0.1)).joined(), "0.0 (0.0–0.1)");
    }

    #[test]
    fn days_do_not_break_and_probabilities_are_not_certain() {
        assert_eq!(date("2026-06-30"), "30\u{a0}June\u{a0}2026");
        assert_eq!(date("2026-13-30"), "2026-13-30");
        assert_eq!(date(""), "");
        assert_eq!([1.0, 0.45, 0.0].map(probability), ["over 99\u{a0}%", "45\u{a0}%", "under 1\u{a0}%"]);
    }
}

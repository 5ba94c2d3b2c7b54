//! Amounts of money with currency signs or codes, credits in brackets and words for nothing.

use super::number::{DecimalMark, parse_number};
use super::{Reading, is_blank};
use crate::quarantine::Reason;

/// An amount, with its currency where the text names one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Money {
    pub amount: f64,
    /// ISO 4217 code.
    pub currency: Option<&'static str>,
}

/// Signs and words by which a currency is known, with its ISO 4217 code.
const CURRENCIES: [(&str, &str); 31] = [
    ("£", "GBP"),
    ("gbp", "GBP"),
    ("€", "EUR"),
    ("eur", "EUR"),
    ("euro", "EUR"),
    ("euros", "EUR"),
    ("us$", "USD"),
    ("$", "USD"),
    ("usd", "USD"),
    ("a$", "AUD"),
    ("aud", "AUD"),
    ("nz$", "NZD"),
    ("nzd", "NZD"),
    ("ca$", "CAD"),
    ("c$", "CAD"),
    ("cad", "CAD"),
    ("chf", "CHF"),
    ("sek", "SEK"),
    ("nok", "NOK"),
    ("dkk", "DKK"),
    ("kr", "SEK"),
    ("pln", "PLN"),
    ("zł", "PLN"),
    ("czk", "CZK"),
    ("kč", "CZK"),
    ("huf", "HUF"),
    ("ft", "HUF"),
    ("inr", "INR"),
    ("₹", "INR"),
    ("jpy", "JPY"),
    ("¥", "JPY"),
];

const NOTHING: [&str; 8] = ["free", "foc", "free of charge", "no charge", "nc", "n/c", "nil", "gratis"];

/// The ISO 4217 code for a sign, word or code.
#[must_use]
pub fn currency_code(text: &str) -> Option<&'static str> {
    let wanted = text.trim().trim_end_matches('.').to_lowercase();
    CURRENCIES.iter().find(|(sign, _)| *sign == wanted).map(|(_, code)| *code)
}

/// Reads an amount of money; credits (a minus sign or brackets) are negative.
///
/// # Errors
/// [`Reason::UnreadableMoney`].
pub fn parse_money(text: &str, mark: DecimalMark) -> Reading<Money> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    let signs = [("", None), ("£", Some("GBP")), ("€", Some("EUR")), ("$", Some("USD"))];
    for (sign, currency) in signs {
        if let Some(amount) = text.strip_prefix(sign).and_then(plain) {
            return Ok(Some(Money { amount, currency }));
        }
    }
    if NOTHING.contains(&text.to_lowercase().as_str()) {
        return Ok(Some(Money { amount: 0.0, currency: None }));
    }
    if is_blank(text) {
        return Ok(None);
    }
    read_amount(text, mark).map(Some).ok_or(Reason::UnreadableMoney)
}

/// Digits with at most one decimal point and two decimals: the common case.
fn plain(text: &str) -> Option<f64> {
    let is_plain = text.len() <= 15
        && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.')
        && text.starts_with(|first: char| first.is_ascii_digit());
    let decimals = text.find('.').map_or(0, |at| text.len() - at - 1);
    (is_plain && decimals <= 2).then(|| text.parse().ok()).flatten()
}

fn read_amount(text: &str, mark: DecimalMark) -> Option<Money> {
    let (bracketed, text) = match text.strip_prefix('(').and_then(|rest| rest.strip_suffix(')')) {
        Some(inside) => (true, inside.trim()),
        None => (false, text),
    };
    let (signed, text) = match text.strip_prefix(['-', '\u{2212}']) {
        Some(rest) => (true, rest.trim_start()),
        None => (false, text),
    };
    let is_amount = |character: char| character.is_ascii_digit() || matches!(character, '.' | ',' | '-' | '\u{2212}' | '+');
    let first = text.find(is_amount)?;
    let before = text[..first].trim();
    let last = text.rfind(|character: char| character.is_ascii_digit() || character == '-')?;
    if last < first {
        return None;
    }
    let last = last + 1;
    let (number, after) = text.get(first..last).zip(text.get(last..))?;
    let number = number.strip_suffix(".-").or_else(|| number.strip_suffix(",-")).unwrap_or(number);
    let sign = [before, after.trim().trim_start_matches(['.', ','])].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>();
    let currency = match sign[..] {
        [] => None,
        [sign] => Some(currency_code(sign)?),
        _ => return None,
    };
    let amount = parse_number(number, mark)?;
    Some(Money { amount: if bracketed || signed { -amount } else { amount }, currency })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_as_people_write_them() {
        for (text, amount, currency) in [
            ("40", 40.0, None),
            ("40.5", 40.5, None),
            ("£1,234.50", 1234.5, Some("GBP")),
            ("12,50 €", 12.5, Some("EUR")),
            ("EUR 1.234,50", 1234.5, Some("EUR")),
            ("-£5", -5.0, Some("GBP")),
            ("£-5.00", -5.0, Some("GBP")),
            ("(£12.00)", -12.0, Some("GBP")),
            ("12.-", 12.0, None),
            ("FOC", 0.0, None),
            ("£ 40", 40.0, Some("GBP")),
            ("85 euros", 85.0, Some("EUR")),
            ("250 kr.", 250.0, Some("SEK")),
            ("1 234,50", 1234.5, None),
        ] {
            assert_eq!(parse_money(text, DecimalMark::Point), Ok(Some(Money { amount, currency })), "{text}");
        }
    }

    #[test]
    fn what_is_no_amount_is_refused() {
        for text in ["forty", "£", "12 apples", "£12 £13", "12.3.4", "€ 5 GBP", "-", "--"] {
            let read = parse_money(text, DecimalMark::Point);
            assert!(matches!(read, Err(Reason::UnreadableMoney) | Ok(None)), "{text}: {read:?}");
        }
        assert_eq!(parse_money("", DecimalMark::Point), Ok(None));
    }
}

//! Masking of personal data in free text before anything is stored.
//!
//! Phone numbers, e-mail addresses and postcodes are found by their form; names only after a cue ("Mrs ...", "customer: ...").
//! Names without a cue cannot be found reliably, so free text never leaves the store unasked.

use std::borrow::Cow;
use std::sync::OnceLock;

use fixodds_schemas::normalise;
use regex::Regex;

pub const NAME: &str = "[name]";
pub const PHONE: &str = "[phone]";
pub const EMAIL: &str = "[e-mail]";
pub const POSTCODE: &str = "[postcode]";
/// Stands for a serial or machine number.
pub const NUMBER: &str = "[number]";
/// Stands for a whole value of a column that holds personal data.
pub const PERSONAL: &str = "[personal]";

const MOST_PASSES: usize = 10;

/// Words that follow a cue without being a name.
const NOT_NAMES: [&str; 66] = [
    "a",
    "about",
    "after",
    "again",
    "agreed",
    "all",
    "and",
    "applied",
    "are",
    "arranged",
    "asked",
    "asks",
    "at",
    "away",
    "back",
    "before",
    "brought",
    "called",
    "cancelled",
    "claims",
    "collected",
    "complained",
    "complains",
    "confirmed",
    "declined",
    "did",
    "does",
    "for",
    "happy",
    "had",
    "has",
    "in",
    "informed",
    "is",
    "it",
    "machine",
    "new",
    "no",
    "not",
    "noticed",
    "of",
    "on",
    "out",
    "paid",
    "re",
    "refused",
    "rejected",
    "reported",
    "reports",
    "said",
    "says",
    "service",
    "states",
    "supplied",
    "that",
    "the",
    "to",
    "told",
    "unhappy",
    "very",
    "waiting",
    "wants",
    "was",
    "will",
    "with",
    "would",
];

/// Column titles, as whole words, that say that a column holds personal data.
const PERSONAL_TITLES: [&str; 38] = [
    "address",
    "addresses",
    "caller",
    "cell",
    "city",
    "client",
    "clients",
    "contact",
    "customer",
    "customers",
    "customer name",
    "email",
    "emails",
    "forename",
    "hausnummer",
    "householder",
    "landlord",
    "landlady",
    "mail",
    "mobile",
    "name",
    "nachname",
    "owner",
    "person",
    "phone",
    "phones",
    "post code",
    "postcode",
    "postcodes",
    "street",
    "surname",
    "tel",
    "telephone",
    "tenant",
    "town",
    "vorname",
    "zip",
    "zip code",
];
/// Words that make a title harmless although a personal word is in it: "model name", "customer complaint", "phone charger".
const HARMLESS_TITLES: [&str; 33] = [
    "age",
    "brand",
    "category",
    "charged",
    "company",
    "complaint",
    "component",
    "count",
    "declined",
    "description",
    "device",
    "fault",
    "file",
    "group",
    "hours",
    "item",
    "machine",
    "make",
    "model",
    "number of",
    "outcome",
    "part",
    "price",
    "problem",
    "product",
    "quote",
    "rating",
    "reason",
    "report",
    "shop",
    "site",
    "supplied",
    "type",
];

struct Patterns {
    email: Regex,
    phone: Regex,
    postcode: Regex,
    after_code_word: Regex,
    /// Whether there is anything for the three patterns before.
    any_number: Regex,
    titled_name: Regex,
    cued_name: Regex,
    /// Whether there is anything for the two patterns before.
    any_name: Regex,
}

fn patterns() -> &'static Patterns {
    static PATTERNS: OnceLock<Patterns> = OnceLock::new();
    PATTERNS.get_or_init(|| {
        let compile = |pattern: &str| Regex::new(pattern).expect("the pattern is a constant, compiled by the tests of this file");
        const WORD: &str = r"\p{Lu}[\p{L}'’]*(?:-\p{Lu}[\p{L}'’]*)?";
        const INITIALS: &str = r"(?:\p{Lu}\.\s*){0,3}";
        let email = r"(?i)[a-z0-9._%+\-]+(?:@|\s?\(at\)\s?)[a-z0-9\-]+(?:\.[a-z0-9\-]+)*\.[a-z]{2,}";
        // + or 0 and 8 to 14 more digits in groups; or three groups of the North American form
        let phone = r"(?:\+|\b00|\(0|\b0)[0-9](?:[ \-./()]{0,2}[0-9]){7,13}\b|\(?\b[2-9][0-9]{2}\)?[ \-.][0-9]{3}[ \-.][0-9]{4}\b";
        // Great Britain and Northern Ireland, Canada, Ireland
        let postcode = r"\b(?:[A-Z]{1,2}[0-9][A-Z0-9]? ?[0-9][A-Z]{2}|[A-Z][0-9][A-Z] [0-9][A-Z][0-9]|[AC-FHKNPRTV-Y][0-9]{2} [0-9AC-FHKNPRTV-Y]{4}|[a-z]{1,2}[0-9][a-z0-9]? ?[0-9][a-z]{2})\b";
        let after_code_word = r"(?i)\b(post ?code|zip(?: code)?|plz)([: ]+)([a-z]{1,2}[0-9][a-z0-9]? ?[0-9][a-z]{2}|[a-z]?-?[0-9]{4,5}(?:-[0-9]{3,4}| ?[a-z]{2})?)\b|\b(tel|phone|mobile|mob|ring|call|text|whatsapp)([.: ]+(?:on |no |number )?)(\+?[0-9](?:[ \-./]?[0-9]){4,14})\b";
        let titled_name = format!(
            r"\b(?:(?i:mr|mrs|mx|herr|frau|madame|mme|monsieur|sig|sra)\b\.?\s+{INITIALS}\p{{L}}[\p{{L}}'’\-]*|(?:Ms|Miss|Dr|Prof|Sir|Lady|Rev|M|ms|dr)\b\.?\s+{INITIALS}{WORD})(?:\s+{WORD}){{0,2}}"
        );
        let cued_name = format!(
            r"\b(?i:(customer(?:'s)?|client|owner|tenant|landlord|landlady|neighbou?r|householder|caller|contact|spoke to|spoke with|speak to|ask for|name|name is|named|signed by|signed|collected by|dropped off by|brought in by|on behalf of|c/o|attn|regards|thanks))(?:\s+(?i:name|is|called))?([:,\-]?\s+){INITIALS}{WORD}(?:\s+{WORD}){{0,2}}"
        );
        let any_of = |patterns: &[&str]| compile(&patterns.iter().map(|pattern| format!("(?:{pattern})")).collect::<Vec<_>>().join("|"));
        Patterns {
            email: compile(email),
            phone: compile(phone),
            postcode: compile(postcode),
            after_code_word: compile(after_code_word),
            any_number: any_of(&[phone, postcode, after_code_word]),
            titled_name: compile(&titled_name),
            cued_name: compile(&cued_name),
            any_name: any_of(&[&titled_name, &cued_name]),
        }
    })
}

/// The text with phone numbers, e-mail addresses, postcodes and names after a cue replaced. Where something was replaced, what stood against it is
/// looked at again: in "Customer: Ann555-010-9999" the number can be told only after the name.
#[must_use]
pub fn mask(text: &str) -> Cow<'_, str> {
    let mut masked = mask_once(text);
    for _ in 0..MOST_PASSES {
        let Cow::Owned(before) = &masked else { break };
        match mask_once(before) {
            Cow::Owned(after) if after != *before => masked = Cow::Owned(after),
            _ => break,
        }
    }
    masked
}

fn mask_once(text: &str) -> Cow<'_, str> {
    let has_digits = text.bytes().filter(u8::is_ascii_digit).take(2).count() == 2;
    let patterns = patterns();
    let mut masked = Cow::Borrowed(text);
    if text.contains('@') || text.contains("(at)") {
        masked = replace(masked, &patterns.email, |_| EMAIL.to_owned());
    }
    // looking for each pattern and its groups takes far longer than looking whether there is anything
    if has_digits && patterns.any_number.is_match(&masked) {
        masked = replace(masked, &patterns.after_code_word, |found| match found.get(1) {
            Some(word) => format!("{}{}{POSTCODE}", word.as_str(), &found[2]),
            None if digits(&found[6]) < 6 => found[0].to_owned(),
            None => format!("{}{}{PHONE}", &found[4], &found[5]),
        });
        masked =
            replace(masked, &patterns.phone, |found| if is_date_or_few_digits(&found[0]) { found[0].to_owned() } else { PHONE.to_owned() });
        masked = replace(masked, &patterns.postcode, |found| if is_ordinal(&found[0]) { found[0].to_owned() } else { POSTCODE.to_owned() });
    }
    if !patterns.any_name.is_match(&masked) {
        return masked;
    }
    masked = replace(masked, &patterns.titled_name, |_| NAME.to_owned());
    mask_cued_names(masked, &patterns.cued_name)
}

/// A word after a cue that is no name may be a cue itself, or be followed by one: "SPOKE TO TENANT Mary", "Tenant is NFF Owner Bob".
fn mask_cued_names<'a>(text: Cow<'a, str>, pattern: &Regex) -> Cow<'a, str> {
    let mut masked = String::new();
    let (mut copied, mut from) = (0, 0);
    while let Some(found) = pattern.captures_at(&text, from) {
        let (Some(all), Some(gap)) = (found.get(0), found.get(2)) else { break };
        let first = text[gap.end()..all.end()].split(char::is_whitespace).next().unwrap_or_default();
        if NOT_NAMES.contains(&first.to_lowercase().as_str()) || is_model_like(first) {
            from = gap.end();
        } else {
            masked.push_str(&text[copied..gap.end()]);
            masked.push_str(NAME);
            (copied, from) = (all.end(), all.end());
        }
    }
    if copied == 0 {
        return text;
    }
    masked.push_str(&text[copied..]);
    masked.into()
}

/// Whether a column title says that the column holds personal data.
#[must_use]
pub fn is_personal_title(title: &str) -> bool {
    let words = format!(" {} ", normalise(title));
    let has = |word: &str| words.contains(&format!(" {word} "));
    PERSONAL_TITLES.iter().any(|word| has(word)) && !HARMLESS_TITLES.iter().any(|word| has(word))
}

fn replace<'a>(text: Cow<'a, str>, pattern: &Regex, replacement: impl Fn(&regex::Captures<'_>) -> String) -> Cow<'a, str> {
    match pattern.replace_all(&text, |found: &regex::Captures<'_>| replacement(found)) {
        Cow::Borrowed(_) => text,
        Cow::Owned(replaced) => Cow::Owned(replaced),
    }
}

fn digits(text: &str) -> usize {
    text.bytes().filter(u8::is_ascii_digit).count()
}

/// `01-02-2021 10` and `00-02` are no phone numbers.
fn is_date_or_few_digits(text: &str) -> bool {
    let mut groups = text.split(['-', '.', '/', ' ']);
    let lengths = [(); 3].map(|()| groups.next().map_or(0, str::len));
    let is_date = matches!(lengths, [1 | 2, 1 | 2, 4] | [1 | 2, 1 | 2, 2]) && !text.starts_with(['+', '(']);
    is_date || digits(text) < 9
}

/// `e18 2nd`: an error code and an ordinal.
fn is_ordinal(text: &str) -> bool {
    ["1st", "2nd", "3rd", "4th", "5th", "6th", "7th", "8th", "9th", "0th"].iter().any(|ending| text.ends_with(ending))
}

/// Abbreviations in capitals such as PCB or NFF.
fn is_model_like(word: &str) -> bool {
    word.len() > 1 && word.chars().all(|character| character.is_uppercase() || character.is_ascii_digit())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn personal_data_is_masked() {
        for (text, masked) in [
            ("Customer: Ann555-010-9999", "Customer: [name][phone]"),
            ("spoke to Mr J. Example, called back", "spoke to [name], called back"),
            ("Customer: A. B. Example rang", "Customer: [name] rang"),
            ("ring 07700 900123 after 6", "ring [phone] after 6"),
            ("Tel: 01632 960 001.", "Tel: [phone]."),
            ("call (01632) 960001", "call [phone]"),
            ("+44 7700 900 123 mobile", "[phone] mobile"),
            ("call 555-201-0199 x", "call [phone] x"),
            ("phone 960123", "phone [phone]"),
            ("mail jo.bloggs@example.org asap", "mail [e-mail] asap"),
            ("flat at AB12 3CD, 2nd floor", "flat at [postcode], 2nd floor"),
            ("ab1 2cd side door", "[postcode] side door"),
            ("PLZ 10115, Hof", "PLZ [postcode], Hof"),
            ("Mrs Ann O'Wilmot-Smith says noisy", "[name] says noisy"),
            ("mr smith not in", "[name] not in"),
            ("Dr. Lumley called", "[name] called"),
            ("Customer: Jane Dobbin, drum stuck", "Customer: [name], drum stuck"),
            ("spoke to Perdita about price", "spoke to [name] about price"),
            ("Collected by Orla Finch on Friday", "Collected by [name] on Friday"),
            ("Tenant is NFF Owner Bob rang", "Tenant is NFF Owner [name] rang"),
            ("SPOKE TO TENANT Mary Smith", "SPOKE TO TENANT [name]"),
            ("CUSTOMER CONTACT: Jane Dobbin", "CUSTOMER CONTACT: [name]"),
        ] {
            assert_eq!(mask(text), masked, "{text}");
        }
    }

    #[test]
    fn technical_text_is_left_alone() {
        for text in [
            "Replaced carbon brushes, tested 1400 rpm, 2 cycles",
            "part 481231028144 fitted, old one 00112",
            "error E18 2nd time, e18 2nd visit",
            "closed 01-02-2021 10:30, opened 2021-03-04 12:00",
            "Customer Reports noise on spin",
            "customer declined quote of 120.00",
            "miss a cycle, mist on door",
            "PCB dead, customer NFF twice, 230 V 50 Hz",
            "Caller says Drum stuck",
            "Customer Reports\nDrum noisy",
            "0.5 ohm, 10.000 cycles, 3.5 bar",
        ] {
            assert_eq!(mask(text), text);
        }
    }

    #[test]
    fn personal_columns_are_known_by_their_title() {
        for title in ["Customer", "customer_name", "Phone No.", "E-mail", "email", "Post code", "Owner's address", "Tel."] {
            assert!(is_personal_title(title), "{title}");
        }
        for title in ["Customer complaint", "Model name", "Brand name", "Notes", "Van", "Engineer hours", "Item name"] {
            assert!(!is_personal_title(title), "{title}");
        }
    }
}

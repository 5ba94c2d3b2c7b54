//! The test after a repair, as people note it: readings of earth, insulation and leakage, and what was found of polarity and function.
//!
//! Numbers are taken by the word before them or the unit behind them ("EC .07", "IR 500+", "0.5 mA"), or as three in the usual order
//! (0.07/200/0.3). A later reading of insulation counts, since people dry and test again. A danger that is still there is no pass.

use std::sync::LazyLock;

use regex::{Captures, Regex};

/// What a note says; nothing that it does not.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ClosingTest {
    pub earth_ohms: Option<f64>,
    /// "More than 500" is 500.
    pub insulation_megohms: Option<f64>,
    pub leakage_milliamps: Option<f64>,
    /// `touch`, `protective` or `unstated`.
    pub leakage_kind: Option<&'static str>,
    pub polarity: Option<Verdict>,
    pub function: Option<Verdict>,
    pub overall: Option<Verdict>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    Passed,
    Failed,
    NotDone,
}

impl Verdict {
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::Failed => "failed",
            Self::NotDone => "not_done",
        }
    }
}

/// Readings beyond this are slips of the pen.
const MOST: f64 = 1_000_000.0;

macro_rules! pattern {
    ($name:ident, $($part:expr),+ $(,)?) => {
        static $name: LazyLock<Regex> =
            LazyLock::new(|| Regex::new(&[$($part),+].concat()).expect("a fixed expression, as the tests of this file show"));
    };
}

const NUMBER: &str = r"[<>]? ?=? ?(?P<number>\d+(?:\.\d+)?|\.\d+)";
/// Between a word and its number.
const BETWEEN: &str = r"[ :=\-(]*(?:ohms? ?|megohms? ?|milliamps? ?)?[ :=\-(]*(?:is |was |of |at |reading |=|> ?=)?";
const GOOD: &str = r"(?:ok(?:ay)?|good|fine|pass(?:ed|es)?|yes|y|correct|right|satisf\w*|works?|/|tick(?:ed)?|p)";
const BAD: &str = r"(?:fail(?:ed|s|ure)?|reversed|wrong|swapped|crossed|incorrect|bad|no good|not ok|no|x|n|f)";

pattern!(
    EARTH,
    r"\b(?:earth(?:ing)?(?: ?bond(?:ing)?| ?cont(?:inuity)?| ?path| ?res(?:istance)?| ?loop| ?test)?|e ?/ ?c|ecc|ec|eb|epc|ebc|e|bond(?:ing)?|cont(?:inuity)?|rpe|r pe|rlow|r low|rlo|r1|r2|r|pe|cpc)",
    BETWEEN,
    NUMBER,
    r" ?(?P<unit>milli ?ohms?|mohm|m ?ohms?|ohms?|r\b|mega?)?"
);
pattern!(
    INSULATION_BY_WORD,
    r"\b(?:insulation(?: ?res(?:istance)?)?|insul|ins|ir|i/r|riso|r iso|iso|meg(?:ger)?(?:ed)?)",
    BETWEEN,
    NUMBER,
    r" ?\+? ?(?P<unit>gig ?ohms?|gohms?|g ?ohms?|g\b|kohms?|k ?ohms?|k\b|meg\w*|mohms?|m ?ohms?|m\b)?"
);
pattern!(INSULATION_BY_UNIT, NUMBER, r" ?\+? ?(?P<unit>gohms?|gig\w*|g ?ohms?|g\b|meg\w*|mohms?|m ?ohms?|m\b)");
pattern!(
    LEAKAGE_BY_WORD,
    r"\b(?P<word>touch(?: ?current| ?leak(?:age)?)?|i ?touch|tc|earth leakage|protective(?: ?cond\w*\.?)?(?: ?current)?|prot\w*(?: ?current)?|pcc|ipe|i ?pe|pe current|leakage(?: current)?|leak(?: current)?|lkg|lk|lc|i ?leak|ileak|il|diff\w*(?: current)?|subst\w*(?: leak\w*)?|sub leak\w*)",
    BETWEEN,
    NUMBER,
    r" ?(?P<unit>ma|m a|milli ?amps?|ua|u a)?\b"
);
pattern!(LEAKAGE_BY_UNIT, NUMBER, r" ?(?P<unit>ma|milli ?amps?|ua)\b(?: ?(?P<word>touch|protective|leak\w*|lkg))?");
pattern!(
    THREE,
    r"(?:^|[^0-9./])(?P<earth>\d*\.\d+) ?[/;|] ?[<>]? ?(?P<insulation>\d+(?:\.\d+)?) ?[/;|] ?(?P<leakage>\d*\.\d+|\d+)(?:$|[^0-9./])"
);
pattern!(A_LENGTH, r"(?:flex|cable|lead|long|pipe|hose|earth|cont)\s*(?:is )?$");
pattern!(
    NOT_DONE,
    r"\b(?:no (?:pat |safety |elec\w* )?tests?\b|not (?:pat )?tested|untested|test not|not done|no closing|scrap|written off|beyond economic|ber\b|condemned|could ?n.?t test|unable to test|customer (?:out|declined|refused)|cust (?:out|declined|refused)|no tester|no meter|tester (?:broken|flat|at|away|being|in|not)|battery flat on tester|n/?a\b|none\b|skipped|forgot|did ?n.?t (?:pat |re)?test|did not test|no time to test|will test|to be tested|awaiting test|test (?:next|later|pending|to follow)|pending|not (?:required|needed|carried out|possible|completed)|no pat\b|wouldn.?t let|left before)"
);
pattern!(
    POLARITY_BAD,
    r"\bpol(?:arity)?\b[ :=\-]*(?:at )?(?:socket |is |was |test |check(?:ed)? )*",
    BAD,
    r"\b|\b(?:reversed|wrong|crossed|swapped|incorrect) pol|\b(?:l|line|live)(?: ?/ ?| and | & |-)(?:n|neutral) (?:reversed|swapped|crossed)"
);
pattern!(
    POLARITY_GOOD,
    r"\bpol(?:arity)?\b[ :=\-]*(?:at )?(?:socket |is |was |test |check(?:ed)? |all )*",
    GOOD,
    r"(?:\b|$|\s)|\bpol(?:arity)? ?/|\b(?:correct|good|right) pol"
);
pattern!(
    FUNCTION_BAD,
    r"\bfunc(?:tion(?:al|ality|s)?)?(?: test)?[ :=\-]*(?:is |was )?",
    BAD,
    r"\b|\bfail(?:ed|s)? (?:on |the )?func|\bf/?t[ :=\-]*",
    BAD,
    r"\b|\bno (?:spin|heat|fill|drain|cool\w*|suction|power)\b|\b(?:does ?n.?t|does not|wont|won.t|will not|not) (?:spin\w*|heat\w*|work\w*|fill\w*|drain\w*|cool\w*|start\w*|run\w*)|\bstill (?:faulty|noisy|leak\w*|trip\w*|dead|not)|\bstill no\b"
);
pattern!(
    FUNCTION_GOOD,
    r"\bfunc(?:tion(?:al|ality|s)?)?(?: test(?:ed)?)?[ :=\-]*(?:is |was |all )?",
    GOOD,
    r"(?:\b|$|\s)|\bfunc(?:tion)? ?/|\bf/?t[ :=\-]*(?:is |was )?",
    GOOD,
    r"\b|\bworks?\b|\bworking\b|\b(?:ran|run|runs|did|done|full|complete\w*|test|short|whole) (?:a |one |the |through )?(?:full |whole |test |short |complete |hot |quick )*(?:cycle|wash|programme|program|load|run)\b|\b(?:heats|cooks|spins|drains|cools|freezes|dries|fills|sucks|charges|cold|heat|spin)\b[^.;,]*\b(?:ok|good|fine|to \d+)|\b(?:heats|spins|drains|cools|fills|dries)\b|\b(?:tumble|soak|spin|run|wash|heat) test\b|\bcooks ok|\b(?:machine|unit|appliance|all) ok on test|\brun(?:s|ning)? (?:ok|well|fine|sweet\w*|smooth\w*|good)"
);
pattern!(SHEET, r"\bpat (?:sheet|book|log|cert\w*|record)\b");
// A verdict on one thing, which says nothing of the whole.
pattern!(
    OF_ONE_THING,
    r"\b(?:func\w*|f/?t|pol\w*|heat|cooks?|spins?|elec\w*|ir|ec|earth|ins\w*|lkg|leakage|machine|socket)[ :=\-]*(?:test |is |was )?(?:[<>]?[\d.]+ ?\w* )?(?:ok(?:ay)?|good|pass(?:ed)?|fine|fail(?:ed)?|correct|safe)\b(?: on test)?"
);
pattern!(
    ALL_BAD,
    r"\bfail(?:ed|s|ure)?\b|\bunsafe\b|\bnot safe\b|\bdo not use\b|\bdont use\b|\bdon.t use\b|\bdangerous\b|\btingl\w*|\bshock\b|\bisolated\b|\blabelled (?:unsafe|do not)|\bdid ?n.?t pass|\blow (?:ir|insulation|reading)\b|\b(?:ir|insulation) (?:too )?low\b|\b(?:no|missing|open|broken|high) earth\b|\bearth (?:is )?(?:missing|open|broken|high|too high)\b|\b(?:out of|withdrawn from|taken out of) (?:use|service)\b|\bred (?:tag|label|sticker)|\babove limit|\bover (?:the )?limit|\bout of limit|\bnot ok\b|\bdid not pass|\bnot passed"
);
pattern!(
    ALL_GOOD,
    r"\bpass(?:ed|es)?\b|\bpat(?:ted|'?d|.d)?\b[^.;]*\b(?:ok|good|done|pass\w*|fine)|\btested\b[^.;]*\b(?:ok|good|safe|fine|pass\w*|satis\w*)|\btest(?:s|ed|ing)? (?:all )?(?:ok|good|fine|safe|satis\w*)|\bsafe\b|\bt ?(?:\+|&|and) ?t ok|\ball (?:tests? )?(?:ok|good|fine|pass\w*|satis\w*)\b|(?:^|[.;] ?)ok\b|^(?:tested|done|yes|y|p|fine|good|completed?|tick)\.?$|\bno (?:issues|faults?|problems)\b|\ball clear\b|\bok to (?:use|go)\b|\bwithin limits?\b|\bgreen (?:label|sticker|tag)|\boverall[ :=\-]*",
    GOOD
);
pattern!(TESTED, r"pass|tested|pat\b|safe");
pattern!(DECIMAL_COMMA, r"(\d),(\d)");

/// Reads a note; none where it says nothing of a test.
#[must_use]
pub fn parse_closing_test(note: &str) -> Option<ClosingTest> {
    let text = clean(note);
    let mut test = ClosingTest::default();
    readings(&text, &mut test);
    test.polarity = verdict(POLARITY_GOOD.is_match(&text), POLARITY_BAD.is_match(&text));
    test.function = verdict(FUNCTION_GOOD.is_match(&text), FUNCTION_BAD.is_match(&text));
    let has_reading = test.earth_ohms.is_some() || test.insulation_megohms.is_some() || test.leakage_milliamps.is_some();
    let rest = SHEET.replace_all(&text, " ");
    let rest = OF_ONE_THING.replace_all(&rest, " ");
    // "Heats, spins, drains - all good" is about what it does.
    let of_function = test.function == Some(Verdict::Passed) && rest.ends_with("all good") && !TESTED.is_match(&rest);
    test.overall = if ALL_BAD.is_match(&text) {
        Some(Verdict::Failed)
    } else if NOT_DONE.is_match(&text) && !has_reading {
        Some(Verdict::NotDone)
    } else {
        (ALL_GOOD.is_match(&rest) && !of_function).then_some(Verdict::Passed)
    };
    if test.overall == Some(Verdict::NotDone) {
        test.function = None;
        test.polarity = None;
    }
    (test != ClosingTest::default()).then_some(test)
}

/// A fault outweighs what was good.
fn verdict(is_good: bool, is_bad: bool) -> Option<Verdict> {
    if is_bad { Some(Verdict::Failed) } else { is_good.then_some(Verdict::Passed) }
}

fn readings(text: &str, test: &mut ClosingTest) {
    let number = |text: &str| text.parse::<f64>().ok().filter(|number| *number <= MOST);
    if let Some(three) = THREE.captures(text).filter(|found| !text[..found.get(0).map_or(0, |all| all.start())].contains("ma")) {
        test.earth_ohms = number(&three["earth"]);
        test.insulation_megohms = number(&three["insulation"]);
        test.leakage_milliamps = number(&three["leakage"]);
        test.leakage_kind = Some("unstated");
    }
    let unit = |found: &Captures<'_>| found.name("unit").map_or("", |unit| unit.as_str()).to_owned();
    let by_word = LEAKAGE_BY_WORD.captures_iter(text).last();
    if let Some(found) = by_word.or_else(|| LEAKAGE_BY_UNIT.captures_iter(text).last()) {
        let micro = if unit(&found).starts_with('u') { 1e-3 } else { 1.0 };
        test.leakage_milliamps = number(&found["number"]).map(|reading| reading * micro);
        test.leakage_kind = Some(kind_of_leakage(found.name("word").map_or("", |word| word.as_str())));
    }
    for found in EARTH.captures_iter(text).filter(|found| !unit(found).starts_with("meg")) {
        let milli = if unit(&found).starts_with('m') { 1e-3 } else { 1.0 };
        test.earth_ohms = number(&found["number"]).map(|reading| reading * milli);
    }
    let mut last = None;
    for found in INSULATION_BY_WORD.captures_iter(text) {
        last = found.get(0).map(|all| all.start());
        test.insulation_megohms = number(&found["number"]).map(|reading| reading * megohms(&unit(&found)));
    }
    for found in INSULATION_BY_UNIT.captures_iter(text) {
        let start = found.get(0).map_or(0, |all| all.start());
        if last.is_none_or(|last| start > last) && !A_LENGTH.is_match(&text[..start]) {
            test.insulation_megohms = number(&found["number"]).map(|reading| reading * megohms(&unit(&found)));
        }
    }
}

fn kind_of_leakage(word: &str) -> &'static str {
    let is_one_of = |beginnings: &[&str]| beginnings.iter().any(|beginning| word.starts_with(beginning));
    if word.contains("touch") || word == "tc" {
        "touch"
    } else if is_one_of(&["prot", "pcc", "ipe", "i pe", "pe ", "earth"]) {
        "protective"
    } else {
        "unstated"
    }
}

fn megohms(unit: &str) -> f64 {
    match unit.chars().next() {
        Some('g') => 1e3,
        Some('k') => 1e-3,
        _ => 1.0,
    }
}

/// Small letters, signs as words, one space.
fn clean(note: &str) -> String {
    let mut text = String::with_capacity(note.len());
    for character in note.chars().flat_map(char::to_lowercase) {
        match character {
            '\u{3c9}' | '\u{2126}' => text.push_str("ohm"),
            '\u{b5}' | '\u{3bc}' => text.push('u'),
            '\u{2265}' => text.push('>'),
            '\u{2264}' => text.push('<'),
            '\u{2713}' | '\u{2714}' => text.push_str(" ok "),
            '\u{2717}' | '\u{2718}' => text.push_str(" fail "),
            '"' | '_' => text.push(' '),
            '\u{2019}' => text.push('\''),
            other => text.push(other),
        }
    }
    let text = DECIMAL_COMMA.replace_all(&text, "$1.$2");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(note: &str) -> ClosingTest {
        parse_closing_test(note).unwrap_or_default()
    }

    #[test]
    fn readings_come_with_their_words_and_units() {
        let read = read("EC .07, IR >500M, lkg 620uA, pol ok, F/T good");
        assert_eq!((read.earth_ohms, read.insulation_megohms), (Some(0.07), Some(500.0)));
        assert!((read.leakage_milliamps.unwrap() - 0.62).abs() < 1e-12);
        assert_eq!((read.polarity, read.function, read.overall), (Some(Verdict::Passed), Some(Verdict::Passed), None));
    }

    #[test]
    fn a_record_of_numbers_reads_like_a_note() {
        let text = r#"{"earth_ohms":0.1,"insulation_megohms":200,"leakage_milliamps":0.5,"leakage_kind":"touch","polarity":"ok","function":"ok","overall":"pass"}"#;
        let read = read(text);
        assert_eq!((read.earth_ohms, read.insulation_megohms, read.leakage_milliamps), (Some(0.1), Some(200.0), Some(0.5)));
        assert_eq!((read.polarity, read.function, read.overall), (Some(Verdict::Passed), Some(Verdict::Passed), Some(Verdict::Passed)));
    }

    #[test]
    fn a_danger_that_is_left_is_no_pass() {
        assert_eq!(read("all ok but tingle from door, do not use").overall, Some(Verdict::Failed));
        assert_eq!(read("not tested").overall, Some(Verdict::NotDone));
        assert_eq!(parse_closing_test("see page 4"), None);
        assert_eq!(parse_closing_test(""), None);
    }
}

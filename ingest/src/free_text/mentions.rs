//! Where a text names components, and what the words around say of each.

use std::ops::Range;
use std::rc::Rc;

use fixodds_schemas::{List, terms::match_key};

use super::phrases::{MOST_WORDS, is_filler};
use super::tokens::{Token, Tokens};
use super::{FreeTextReader, LEAST_CONFIDENCE, Reached, TextFinding};

/// What is said of a component.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// It was replaced, cleaned or otherwise put right.
    Acted,
    Failed,
    Needed,
    /// Named and nothing else.
    Bare,
    Unsure,
    /// Named among words that say nothing of it.
    Unclear,
    /// It is not what was wrong, or only where something was.
    Dropped,
}

/// A component in a text.
#[derive(Debug, Clone)]
pub struct Mention {
    pub range: Range<usize>,
    pub key: String,
    pub status: Status,
    is_fuzzy: bool,
    /// Written as an ordinary word.
    is_weak: bool,
    /// Stands after a word of place.
    is_place: bool,
    is_inherited: bool,
    /// Only how it behaved is said.
    is_complaint: bool,
    /// What is said of it is what happens when another fails.
    follows: bool,
    pub caused_by: Option<usize>,
}

impl Mention {
    fn confidence(&self) -> f64 {
        let status = match self.status {
            Status::Acted => 0.97,
            Status::Failed => 0.95,
            Status::Needed => 0.93,
            Status::Bare => 0.75,
            Status::Unclear => 0.5,
            Status::Unsure => 0.4,
            Status::Dropped => 0.0,
        };
        let factor = |applies: bool, factor: f64| if applies { factor } else { 1.0 };
        status * factor(self.is_fuzzy, 0.85) * factor(self.is_place, 0.85) * factor(self.is_inherited, 0.95)
    }
}

fn inside(inner: &Range<usize>, outer: &Range<usize>) -> bool {
    outer.start <= inner.start && inner.end <= outer.end
}

/// Of two names without a word between ("door spring cord", "grill energy regulator") one only qualifies the other.
fn keep_heads(words: &[Token], mentions: &mut Vec<Mention>) {
    let mut at = 1;
    while at < mentions.len() {
        let (first, second) = (&mentions[at - 1], &mentions[at]);
        if first.range.end == second.range.start && words[first.range.start].clause == words[second.range.start].clause {
            let (start, end) = (first.range.start, second.range.end);
            let head = if second.range.len() > 1 { at - 1 } else { at };
            mentions.remove(head);
            mentions[at - 1].range = start..end;
        } else {
            at += 1;
        }
    }
}

impl FreeTextReader<'_> {
    pub(super) fn mentions(
        &self,
        tokens: &Tokens,
        category: Option<&str>,
        symptoms: &[(Range<usize>, String)],
        reasons: &[Range<usize>],
    ) -> Vec<Mention> {
        let words = &tokens.words;
        let mut mentions = self.named(words, category);
        mentions.retain(|mention| {
            let is_symptom = symptoms.iter().any(|(range, _)| {
                let rest = [&words[range.start..range.start.max(mention.range.start)], &words[mention.range.end.min(range.end)..range.end]];
                inside(&mention.range, range) && range.len() > mention.range.len() && !rest.iter().any(|rest| self.is_failure(rest))
            });
            !is_symptom && !reasons.iter().any(|range| inside(&mention.range, range))
        });
        keep_heads(words, &mut mentions);
        for at in 0..mentions.len() {
            self.judge(tokens, &mut mentions, at);
        }
        self.inherit(words, &mut mentions);
        self.follow_damage(words, &mut mentions);
        self.drop_places(words, &mut mentions);
        self.drop_complaints(&mut mentions);
        mentions
    }

    /// Whether the words are a way of failing, and not that something does not do what it should.
    fn is_failure(&self, words: &[Token]) -> bool {
        let is_denial = |token: &Token| matches!(token.word.as_str(), "not" | "wont" | "doesnt" | "does" | "will" | "no");
        words.first().is_some_and(|first| !is_denial(first)) && self.marks.failure.get(words, None).is_some()
    }

    /// The components that the words name, the longest spelling at each place.
    fn named(&self, words: &[Token], category: Option<&str>) -> Vec<Mention> {
        let mut mentions = Vec::new();
        let mut at = 0;
        while at < words.len() {
            let lengths =
                || (1..=MOST_WORDS.min(words.len() - at)).rev().filter(|length| words[at].clause == words[at + length - 1].clause);
            let known = lengths().find_map(|length| Some((length, self.known(&words[at..at + length], category)?)));
            let shortest = known.as_ref().map_or(0, |(length, _)| *length);
            let misspelt = lengths()
                .filter(|&length| length > shortest && length <= 3)
                .find_map(|length| Some((length, self.misspelt(&words[at..at + length], category)?)));
            let (length, key, is_fuzzy) = match (misspelt, known) {
                (Some((length, key)), _) => (length, key, true),
                (None, Some((length, key))) => (length, key, false),
                (None, None) => {
                    at += 1;
                    continue;
                }
            };
            let spelling = super::phrases::key_of(&words[at..at + length]);
            let is_weak = self.marks.not_in_prose.contains(&spelling);
            if !is_weak || self.marks.if_failed.contains(&spelling) {
                mentions.push(Mention {
                    range: at..at + length,
                    key,
                    status: Status::Unclear,
                    is_fuzzy,
                    is_weak,
                    is_place: false,
                    is_inherited: false,
                    is_complaint: false,
                    follows: false,
                    caused_by: None,
                });
            }
            at += length;
        }
        mentions
    }

    fn known(&self, words: &[Token], category: Option<&str>) -> Option<String> {
        if let Some(key) = self.component_phrases.get(words, category) {
            return Some(key.clone());
        }
        if words.first().is_some_and(is_filler) || words.iter().all(|token| token.key.chars().all(|character| character.is_ascii_digit())) {
            return None;
        }
        let text = words.iter().map(|token| token.word.as_str()).collect::<Vec<_>>().join(" ");
        self.components.spelt(&text, category)
    }

    /// The only nearest spelling, with the same first letter and one wrong letter in five at most.
    fn misspelt(&self, words: &[Token], category: Option<&str>) -> Option<String> {
        let is_unknown = |token: &Token| !self.known_words.contains(&token.key) && token.word.len() > 2;
        if !words.iter().any(is_unknown) || words.iter().any(is_filler) {
            return None;
        }
        let text = super::phrases::key_of(words);
        let length = text.chars().count();
        let allowed = if length < 6 { 0 } else { (length / 5).min(2) };
        let mut best: Option<(usize, Rc<str>)> = None;
        let mut is_tied = false;
        for (spelling, key) in self.spellings(category?, text.chars().next()?).iter() {
            if allowed == 0 || spelling.chars().count().abs_diff(length) > allowed {
                continue;
            }
            let distance = strsim::osa_distance(&text, spelling);
            match &best {
                Some((nearest, other)) if *nearest == distance => is_tied |= other != key,
                Some((nearest, _)) if *nearest < distance => {}
                _ if distance <= allowed => {
                    best = Some((distance, Rc::clone(key)));
                    is_tied = false;
                }
                _ => {}
            }
        }
        best.filter(|_| !is_tied).map(|(_, key)| key.to_string())
    }

    /// The spellings of components in a category that begin with a letter, and the key of each; worked out once.
    fn spellings(&self, category: &str, first: char) -> Rc<[(String, Rc<str>)]> {
        let mut known = self.spellings.borrow_mut();
        if let Some(spellings) = known.get(category).and_then(|by_letter| by_letter.get(&first)) {
            return Rc::clone(spellings);
        }
        let terms = self.vocabulary.index(List::Component).terms(Some(category));
        let of_letter = terms.map(|(term, key)| (match_key(term), Rc::from(key))).filter(|(term, _)| term.starts_with(first));
        let spellings: Rc<[_]> = of_letter.collect();
        known.entry(category.to_owned()).or_default().insert(first, Rc::clone(&spellings));
        spellings
    }

    /// The words before and after a mention that belong to it.
    fn around<'t>(&self, words: &'t [Token], mentions: &[Mention], at: usize) -> (&'t [Token], &'t [Token]) {
        let range = &mentions[at].range;
        let clause = words[range.start].clause;
        let clause_start = words[..range.start].iter().rposition(|token| token.clause != clause).map_or(0, |at| at + 1);
        let clause_end = words[range.end..].iter().position(|token| token.clause != clause).map_or(words.len(), |at| range.end + at);
        let previous = at.checked_sub(1).map(|at| mentions[at].range.end).filter(|&end| end > clause_start);
        let next = mentions.get(at + 1).map(|next| next.range.start).filter(|&start| start < clause_end);
        let is_and = |token: &Token| matches!(token.word.as_str(), "and" | "or" | "plus");
        let mut before = &words[previous.unwrap_or(clause_start)..range.start];
        if previous.is_some()
            && let Some(and) = before.iter().rposition(is_and)
        {
            before = &before[and + 1..];
        }
        let mut after = &words[range.end..next.unwrap_or(clause_end)];
        if next.is_some()
            && let Some(and) = after.iter().position(is_and)
        {
            after = &after[..and];
        }
        (before, after)
    }

    fn judge(&self, tokens: &Tokens, mentions: &mut [Mention], at: usize) {
        let words = &tokens.words;
        let marks = &self.marks;
        let (before, after) = self.around(words, mentions, at);
        let range = mentions[at].range.clone();
        // words between two components without "and" speak of the first
        let is_later = at.checked_sub(1).is_some_and(|at| mentions[at].range.end == range.start - before.len());
        let clause = words[range.start].clause;
        let in_clause = |token: &&Token| token.clause == clause;
        let lead: Vec<Token> = words[..range.start].iter().filter(in_clause).cloned().collect();
        let rest: Vec<Token> = words[range.end..].iter().filter(in_clause).cloned().collect();
        let next_clause: Vec<Token> = words[range.end..].iter().filter(|token| token.clause == clause + 1).cloned().collect();
        let names_nothing = !mentions.iter().any(|mention| words[mention.range.start].clause == clause + 1);
        let is_acted =
            marks.action.has(before) || marks.action.has(after) || names_nothing && marks.action.begins(&next_clause, &marks.place);
        let is_unsure = marks.unsure_before.has(&lead)
            || marks.unsure_after.has(&rest)
            || tokens.doubted_clauses.contains(&clause)
            || names_nothing && marks.unsure_after.begins(&next_clause, &marks.place);
        let has_failed = marks.failure.has(after) || !is_later && marks.failure.has(before);
        let is_sound = marks.sound_before.ends(before)
            || marks.sound_after.begins(after, &marks.examined) && !marks.action.has(before) && (is_later || !marks.failure.has(before));
        let mention = &mut mentions[at];
        mention.is_place = marks.place.ends(before);
        mention.is_complaint = !is_acted && !marks.failure_without(&marks.complaint, after) && (is_later || !marks.failure.has(before));
        mention.follows = marks.follows_if.has(after);
        mention.status = if is_sound {
            Status::Dropped
        } else if is_unsure && !is_acted {
            Status::Unsure
        } else if marks.needed.has(before) || marks.needed.has(after) {
            Status::Needed
        } else if is_acted {
            Status::Acted
        } else if has_failed || self.symptoms.has(after) {
            Status::Failed
        } else if marks.examined.has(before) || marks.examined.has(after) {
            Status::Dropped
        } else if lead.iter().chain(&rest).all(|token| is_filler(token) || matches!(token.word.as_str(), "and" | "or")) {
            Status::Bare
        } else {
            Status::Unclear
        };
        if mention.is_weak && matches!(mention.status, Status::Bare | Status::Unclear) {
            mention.status = Status::Dropped;
        }
    }

    /// In an enumeration what is said of one is said of all.
    fn inherit(&self, words: &[Token], mentions: &mut [Mention]) {
        let is_joined = |first: &Mention, second: &Mention| {
            let between = &words[first.range.end..second.range.start];
            words[first.range.start].sentence == words[second.range.start].sentence
                && between.iter().all(|token| is_filler(token) || matches!(token.word.as_str(), "and" | "or" | "plus"))
        };
        let is_open = |mention: &Mention| matches!(mention.status, Status::Bare | Status::Unclear);
        let take = |mention: &mut Mention, from: &Mention| {
            mention.status = from.status;
            mention.is_inherited = true;
        };
        for at in 1..mentions.len() {
            let (earlier, later) = mentions.split_at_mut(at);
            let (Some(previous), Some(place)) = (earlier.last_mut(), later.first()) else { continue };
            let between = &words[previous.range.end..place.range.start];
            let same_clause = words[previous.range.start].clause == words[place.range.start].clause;
            if place.is_place && same_clause && is_open(previous) && between.len() <= 2 && !is_open(place) {
                take(previous, place);
            }
        }
        for at in 1..mentions.len() {
            let (earlier, later) = mentions.split_at_mut(at);
            let (Some(previous), Some(mention)) = (earlier.last(), later.first_mut()) else { continue };
            let same_clause = words[previous.range.start].clause == words[mention.range.start].clause;
            if is_joined(previous, mention) && is_open(mention) && !is_open(previous) && (same_clause || previous.status != Status::Dropped)
            {
                take(mention, previous);
            }
        }
        for at in (1..mentions.len()).rev() {
            let (earlier, later) = mentions.split_at_mut(at);
            let (Some(mention), Some(next)) = (earlier.last_mut(), later.first()) else { continue };
            if is_joined(mention, next) && is_open(mention) && !is_open(next) && next.status != Status::Dropped {
                take(mention, next);
            }
        }
    }

    /// Which component damaged which.
    fn follow_damage(&self, words: &[Token], mentions: &mut [Mention]) {
        let marks = &self.marks;
        for later in 1..mentions.len() {
            let Some(earlier) =
                (0..later).rev().find(|&at| mentions[at].status != Status::Dropped && mentions[at].key != mentions[later].key)
            else {
                continue;
            };
            let (first, second) = (&mentions[earlier], &mentions[later]);
            if words[first.range.start].sentence != words[second.range.start].sentence || second.status == Status::Dropped {
                continue;
            }
            let between = &words[first.range.end..second.range.start];
            let (_, after) = self.around(words, mentions, later);
            let is_joined = between.iter().all(|token| is_filler(token) || token.word == "and");
            let damages_next = marks.damaged_next.ends(between) && !marks.action.has(between) && first.status != Status::Unsure
                || marks.damaged_after.has(&words[second.range.end..(second.range.end + 8).min(words.len())])
                || marks.therefore.has(between) && second.status == Status::Failed
                || is_joined && !between.is_empty() && first.caused_by.is_some();
            let is_damaged = marks.because_of.has(between)
                || marks.after_failure.has(between) && marks.failure.has(after) && !marks.action.has(&between[between.len() / 2..]);
            if is_damaged {
                for at in (0..=earlier).rev() {
                    let is_listed = at == earlier
                        || words[mentions[at].range.end..mentions[at + 1].range.start]
                            .iter()
                            .all(|token| is_filler(token) || token.word == "and");
                    if !is_listed {
                        break;
                    }
                    mentions[at].caused_by = Some(later);
                }
                let cause = &mut mentions[later];
                cause.is_place = false;
                if cause.status == Status::Unclear {
                    cause.status = Status::Failed;
                }
            } else if damages_next {
                let cause = mentions[earlier].caused_by.filter(|_| is_joined).unwrap_or(earlier);
                mentions[earlier].is_place = false;
                let damaged = &mut mentions[later];
                damaged.caused_by = Some(cause);
                damaged.is_place = false;
                if matches!(damaged.status, Status::Unclear | Status::Bare) {
                    damaged.status = Status::Failed;
                }
            }
        }
        let has_others =
            |key: &str, mentions: &[Mention]| mentions.iter().position(|mention| mention.status != Status::Dropped && mention.key != key);
        for at in 0..mentions.len() {
            let follows = mentions[at].follows || marks.follows_from_others.contains(&mentions[at].key);
            let is_cause = mentions.iter().any(|mention| mention.caused_by == Some(at));
            if follows && !is_cause && mentions[at].caused_by.is_none() {
                mentions[at].caused_by = has_others(&mentions[at].key, mentions);
            }
        }
    }

    /// A component that is only where something was counts if its sentence names no other.
    fn drop_places(&self, words: &[Token], mentions: &mut [Mention]) {
        for at in 0..mentions.len() {
            let mention = &mentions[at];
            let sentence = words[mention.range.start].sentence;
            let is_with_others = mentions.iter().enumerate().any(|(other, mention)| {
                other != at && words[mention.range.start].sentence == sentence && mention.status != Status::Dropped && !mention.is_place
            });
            let is_unsaid = matches!(mention.status, Status::Failed | Status::Bare | Status::Unclear);
            if mention.is_place && (mention.is_weak && is_unsaid || is_with_others && (is_unsaid || mention.is_inherited)) {
                mentions[at].status = Status::Dropped;
            }
        }
    }

    fn drop_complaints(&self, mentions: &mut [Mention]) {
        let is_said = |mention: &Mention| matches!(mention.status, Status::Acted | Status::Failed | Status::Needed);
        let others_failed = mentions.iter().any(|mention| is_said(mention) && !mention.is_complaint);
        let causes: Vec<usize> = mentions.iter().filter_map(|mention| mention.caused_by).collect();
        for (at, mention) in mentions.iter_mut().enumerate() {
            let is_linked = mention.is_inherited || mention.caused_by.is_some() || causes.contains(&at);
            if others_failed && mention.is_complaint && mention.status == Status::Failed && !is_linked {
                mention.status = Status::Dropped;
            }
        }
    }

    /// Findings to be used, and those that are too uncertain; each component once.
    pub(super) fn findings(&self, mentions: &[Mention]) -> (Vec<TextFinding>, Vec<TextFinding>) {
        let mut all: Vec<TextFinding> = Vec::new();
        for mention in mentions.iter().filter(|mention| mention.status != Status::Dropped) {
            let finding = TextFinding {
                component: mention.key.clone(),
                consequential: mention.caused_by.is_some(),
                caused_by: None,
                reached: if mention.is_fuzzy { Reached::Fuzzy } else { Reached::Rule },
                confidence: (mention.confidence() * 100.0).round() / 100.0,
            };
            match all.iter_mut().find(|known| known.component == finding.component) {
                Some(known) => {
                    known.confidence = known.confidence.max(finding.confidence);
                    known.consequential |= finding.consequential;
                }
                None => all.push(finding),
            }
        }
        // something must have come first
        if all.iter().all(|finding| finding.consequential) {
            all.iter_mut().take(1).for_each(|finding| finding.consequential = false);
        }
        let (mut certain, suspected): (Vec<_>, Vec<_>) = all.into_iter().partition(|finding| finding.confidence >= LEAST_CONFIDENCE);
        for at in 0..certain.len() {
            if certain[at].consequential {
                let cause = mentions.iter().find(|mention| mention.key == certain[at].component && mention.caused_by.is_some());
                let key = cause.and_then(|mention| mention.caused_by).map(|at| mentions[at].key.clone());
                certain[at].caused_by =
                    key.and_then(|key| certain.iter().position(|finding| finding.component == key && !finding.consequential));
            }
        }
        (certain, suspected)
    }

    /// Whether a phrase is what the customer noticed, rather than part of what is said of a component, or denied.
    pub(super) fn is_symptom(&self, tokens: &Tokens, mentions: &[Mention], range: &Range<usize>, key: &str) -> bool {
        let before = &tokens.words[..range.start];
        let is_denied = before.last().is_some_and(|token| {
            token.clause == tokens.words[range.start].clause && matches!(token.word.as_str(), "no" | "not" | "without" | "never")
        });
        let is_part_of_name = mentions.iter().any(|mention| {
            inside(range, &mention.range) && !(range.end == mention.range.end && self.is_failure(&tokens.words[range.clone()]))
        });
        let is_said = mentions.iter().any(|mention| mention.status != Status::Dropped);
        let says_nothing = is_said && self.marks.vague_symptoms.iter().any(|vague| vague == key);
        !(is_denied || is_part_of_name || says_nothing)
    }
}

//! A text as words, each with the clause and the sentence it stands in.

use fixodds_schemas::{normalise, terms::match_key};

/// Words before which a clause ends.
const CLAUSE_WORDS: [&str; 5] = ["but", "however", "although", "then", "whereas"];
/// Words whose full stop ends no sentence.
const SHORTENED: [&str; 12] = ["poss", "prob", "approx", "cust", "repl", "no", "temp", "elec", "mach", "mtr", "ref", "eng"];

/// A word of a text.
#[derive(Debug, Clone)]
pub struct Token {
    /// In the form in which phrases are compared: small letters, singular.
    pub key: String,
    pub word: String,
    pub clause: usize,
    pub sentence: usize,
}

/// The words of a text, and which clauses end with a question mark.
#[derive(Debug, Default)]
pub struct Tokens {
    pub words: Vec<Token>,
    pub doubted_clauses: Vec<usize>,
    clause: usize,
    sentence: usize,
}

impl Tokens {
    pub fn of(text: &str) -> Self {
        let mut tokens = Self::default();
        let characters: Vec<char> = text.chars().collect();
        let mut word = String::new();
        for (at, &character) in characters.iter().enumerate() {
            let next = characters.get(at + 1).copied().unwrap_or(' ');
            let is_in_number =
                matches!(character, '.' | ',') && next.is_ascii_digit() && word.ends_with(|last: char| last.is_ascii_digit());
            if character.is_alphanumeric() || matches!(character, '\'' | '\u{2019}' | '`' | '£' | '€' | '$') || is_in_number {
                word.push(character);
                continue;
            }
            let length = word.chars().count();
            let is_shortened = length == 1 || SHORTENED.iter().any(|shortened| word.eq_ignore_ascii_case(shortened));
            tokens.push(&word);
            word.clear();
            match character {
                '.' if !next.is_whitespace() || is_shortened => {}
                '.' | ';' | '\n' | '!' => tokens.end_sentence(),
                '?' => {
                    tokens.doubted_clauses.push(tokens.clause);
                    tokens.end_sentence();
                }
                ',' | ':' | '(' | ')' | '\u{2013}' | '\u{2014}' => tokens.clause += 1,
                '-' if next.is_whitespace() => tokens.clause += 1,
                '&' | '+' => tokens.push("and"),
                '/' if length > 2 && characters.iter().skip(at + 1).take_while(|character| character.is_alphanumeric()).count() > 2 => {
                    tokens.push("and");
                }
                _ => {}
            }
        }
        tokens.push(&word);
        tokens
    }

    fn end_sentence(&mut self) {
        self.sentence += 1;
        self.clause += 1;
    }

    fn push(&mut self, word: &str) {
        for word in normalise(word).split(' ').filter(|word| !word.is_empty()) {
            if CLAUSE_WORDS.contains(&word) {
                self.clause += 1;
            }
            self.words.push(Token { key: match_key(word), word: word.to_owned(), clause: self.clause, sentence: self.sentence });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_know_their_clause() {
        let tokens = Tokens::of("Pump/motor s/c, belt? 1.5 hrs - poss. drum");
        let words: Vec<(&str, usize, usize)> =
            tokens.words.iter().map(|token| (token.word.as_str(), token.clause, token.sentence)).collect();
        assert_eq!(
            words,
            [
                ("pump", 0, 0),
                ("and", 0, 0),
                ("motor", 0, 0),
                ("s", 0, 0),
                ("c", 0, 0),
                ("belt", 1, 0),
                ("1", 2, 1),
                ("5", 2, 1),
                ("hrs", 2, 1),
                ("poss", 3, 1),
                ("drum", 3, 1)
            ]
        );
        assert_eq!(tokens.doubted_clauses, [1]);
    }
}

//! Why a row or a value is kept apart, and what to do about it.

use serde::{Serialize, Serializer};

/// Longest raw text of a row that the quarantine keeps, in bytes.
pub const LONGEST_RAW: usize = 16 * 1024;

/// Why a row or a value cannot be used. The codes are part of the quarantine table and stay stable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reason {
    // the record cannot be read
    BlankRow,
    TooManyFields,
    UnclosedQuote,
    CellTooLong,
    RecordTooLong,
    UnreadableRecord,
    // the value cannot be read
    MissingValue,
    UnreadableDate,
    UnreadableYear,
    UnreadableMoney,
    UnreadableNumber,
    UnreadableDuration,
    UnreadableAge,
    UnreadableFlag,
    UnknownOutcome,
    UnknownTerm,
    AmbiguousTerm,
    SeveralTerms,
    UnknownCurrency,
    PlaceholderIdentifier,
    RoundedNumber,
    TextTooLong,
    // the value is impossible
    ImpossibleDate,
    DateInFuture,
    DayUnknown,
    BookedAfterClosed,
    MadeAfterEvent,
    ReceivedBeforeOrdered,
    LeftBeforeEntered,
    EnteredBeforeService,
    OverlappingStay,
    SoldBackwards,
    AgeOver100Years,
    LabourOver40Hours,
    NegativeValue,
    ValueTooLarge,
    NotWhole,
    ScoreOutOfRange,
    CurrencyConflict,
}

impl Reason {
    /// Every reason, for documentation and tests.
    pub const ALL: [Self; 39] = [
        Self::BlankRow,
        Self::TooManyFields,
        Self::UnclosedQuote,
        Self::CellTooLong,
        Self::RecordTooLong,
        Self::UnreadableRecord,
        Self::MissingValue,
        Self::UnreadableDate,
        Self::UnreadableYear,
        Self::UnreadableMoney,
        Self::UnreadableNumber,
        Self::UnreadableDuration,
        Self::UnreadableAge,
        Self::UnreadableFlag,
        Self::UnknownOutcome,
        Self::UnknownTerm,
        Self::AmbiguousTerm,
        Self::SeveralTerms,
        Self::UnknownCurrency,
        Self::PlaceholderIdentifier,
        Self::RoundedNumber,
        Self::TextTooLong,
        Self::ImpossibleDate,
        Self::DateInFuture,
        Self::DayUnknown,
        Self::BookedAfterClosed,
        Self::MadeAfterEvent,
        Self::ReceivedBeforeOrdered,
        Self::LeftBeforeEntered,
        Self::EnteredBeforeService,
        Self::OverlappingStay,
        Self::SoldBackwards,
        Self::AgeOver100Years,
        Self::LabourOver40Hours,
        Self::NegativeValue,
        Self::ValueTooLarge,
        Self::NotWhole,
        Self::ScoreOutOfRange,
        Self::CurrencyConflict,
    ];

    /// Stable code, as stored.
    #[must_use]
    pub fn code(self) -> &'static str {
        self.code_and_remedy().0
    }

    /// What to do, in one sentence.
    #[must_use]
    pub fn remedy(self) -> &'static str {
        self.code_and_remedy().1
    }

    fn code_and_remedy(self) -> (&'static str, &'static str) {
        match self {
            Self::BlankRow => ("blank_row", "The row is empty; delete it, or fill it in."),
            Self::TooManyFields => (
                "too_many_fields",
                "The row has more values than the table has columns; put text that contains the separator in quotation marks.",
            ),
            Self::UnclosedQuote => (
                "unclosed_quote",
                "A quotation mark opens in this row and is not closed properly; close it, or double it if it means inches.",
            ),
            Self::CellTooLong => ("cell_too_long", "One value is longer than 1 MiB; shorten it. Only its first part is kept here."),
            Self::RecordTooLong => ("record_too_long", "The record is longer than 8 MiB; shorten it. Only its first part is kept here."),
            Self::UnreadableRecord => ("unreadable_record", "The line is not one JSON object; write one complete object on each line."),
            Self::MissingValue => ("missing_value", "The row cannot be used without this value; fill it in."),
            Self::UnreadableDate => {
                ("unreadable_date", "Write the date as 2021-04-03, or give the order of day and month in a mapping file or as an option.")
            }
            Self::UnreadableYear => ("unreadable_year", "Write the year with four digits."),
            Self::UnreadableMoney => ("unreadable_money", "Write the amount as a number, with a currency sign or code at most."),
            Self::UnreadableNumber => ("unreadable_number", "Write a plain number."),
            Self::UnreadableDuration => {
                ("unreadable_duration", "Write minutes as a number, hours and minutes as 1:30, or name the unit as in 1.5 h.")
            }
            Self::UnreadableAge => ("unreadable_age", "Write the age in years as a number, or name the unit as in 18 months."),
            Self::UnreadableFlag => ("unreadable_flag", "Write yes or no."),
            Self::UnknownOutcome => (
                "unknown_outcome",
                "Write an outcome of the vocabulary, or say what this one means under [jobs.outcomes] in a mapping file.",
            ),
            Self::UnknownTerm => ("unknown_term", "Write a term of the vocabulary, or say what this one means in a mapping file."),
            Self::AmbiguousTerm => (
                "ambiguous_term",
                "The word means different things in different appliances; name the category in the job, or write the exact term.",
            ),
            Self::SeveralTerms => ("several_terms", "Only one term fits here; write one row for each."),
            Self::UnknownCurrency => ("unknown_currency", "Write a three-letter currency code such as GBP."),
            Self::PlaceholderIdentifier => (
                "placeholder_identifier",
                "The value stands for a missing one and would tie unrelated machines together; leave the cell empty.",
            ),
            Self::RoundedNumber => {
                ("rounded_number", "A spreadsheet has rounded this number; format the column as text and enter it again.")
            }
            Self::TextTooLong => ("text_too_long", "The value is too long for what this column holds; move it to a notes column."),
            Self::ImpossibleDate => ("impossible_date", "The year lies outside 1950 to 2199; correct it."),
            Self::DateInFuture => ("date_in_future", "The date lies after the day of ingest; correct it."),
            Self::DayUnknown => ("day_unknown", "The day is needed here and the text gives only a month or a year; write the whole date."),
            Self::BookedAfterClosed => ("booked_after_closed", "The job was booked after it was closed; correct one of the dates."),
            Self::MadeAfterEvent => {
                ("made_after_event", "The machine was made or bought after the job was closed; correct one of the dates.")
            }
            Self::ReceivedBeforeOrdered => {
                ("received_before_ordered", "The part was received before it was ordered; correct one of the dates.")
            }
            Self::LeftBeforeEntered => ("left_before_entered", "The machine left the roster before it entered; correct one of the dates."),
            Self::EnteredBeforeService => {
                ("entered_before_service", "The machine entered the roster before it was put into service; correct one of the dates.")
            }
            Self::OverlappingStay => (
                "overlapping_stay",
                "The machine is on the roster twice at the same time; correct the days of one of the two stays, or give the day on which the earlier one ended.",
            ),
            Self::SoldBackwards => ("sold_backwards", "The model was last sold before it was first sold; correct one of the dates."),
            Self::AgeOver100Years => ("age_over_100_years", "No appliance is older than 100 years; correct the age or its unit."),
            Self::LabourOver40Hours => ("labour_over_40_hours", "One job does not take more than 40 hours; correct the time or its unit."),
            Self::NegativeValue => ("negative_value", "The value cannot be negative; correct it."),
            Self::ValueTooLarge => ("value_too_large", "The number is too large to be meant; correct it."),
            Self::NotWhole => ("not_whole", "Write a whole number."),
            Self::ScoreOutOfRange => ("score_out_of_range", "A sub-score lies between 0 and 10; correct it."),
            Self::CurrencyConflict => (
                "currency_conflict",
                "The amount is in another currency than the rest of the row; convert it, or write one row for each currency.",
            ),
        }
    }
}

impl Serialize for Reason {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.code())
    }
}

/// The first `limit` bytes of a text, cut between characters.
#[must_use]
pub fn head(text: &str, limit: usize) -> &str {
    &text[..text.floor_char_boundary(limit)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_reason_has_its_own_code_and_a_sentence() {
        let codes: BTreeSet<_> = Reason::ALL.iter().map(|reason| reason.code()).collect();
        assert_eq!(codes.len(), Reason::ALL.len());
        for reason in Reason::ALL {
            assert!(reason.remedy().ends_with('.') && reason.remedy().len() > 15, "{reason:?}");
        }
    }

    #[test]
    fn a_text_is_cut_between_characters() {
        assert_eq!(head("aé", 2), "a");
        assert_eq!(head("aé", 9), "aé");
    }
}

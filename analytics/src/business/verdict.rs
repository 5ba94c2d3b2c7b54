//! Whether to take a model on: a rule over what is known of its jobs, with the user's limits.

use fixodds_estimators::Interval;

use super::BusinessSettings;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    TakeOn,
    /// Worth having, but only at a price agreed before the work.
    FirmQuote,
    Decline,
    NotEnoughEvidence,
}

impl Verdict {
    /// The word in the evidence.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::TakeOn => "take_on",
            Self::FirmQuote => "firm_quote",
            Self::Decline => "decline",
            Self::NotEnoughEvidence => "not_enough_evidence",
        }
    }
}

/// The verdict on `jobs` booked jobs:
///
/// 1. fewer jobs than the user asks for: not enough evidence;
/// 2. the whole interval of the contribution below the least one wanted: decline;
/// 3. the whole interval at or above it, and the whole interval of the loss probability within the limit: take on;
/// 4. the whole interval at or above it otherwise, or the whole interval above nothing: a firm quote first;
/// 5. anything else: not enough evidence.
pub(crate) fn verdict(jobs: i64, contribution: Option<&Interval>, loss: Option<&Interval>, settings: &BusinessSettings) -> Verdict {
    let Some(contribution) = contribution.filter(|_| jobs as f64 >= settings.fewest_jobs) else { return Verdict::NotEnoughEvidence };
    let least = settings.least_contribution_per_job;
    let pays = contribution.lower >= least;
    if contribution.upper < least {
        Verdict::Decline
    } else if pays && loss.is_some_and(|loss| loss.upper <= settings.most_loss_probability) {
        Verdict::TakeOn
    } else if pays || contribution.lower > 0.0 {
        Verdict::FirmQuote
    } else {
        Verdict::NotEnoughEvidence
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// At least 15 a job, at most 10 % losses, 10 jobs.
    #[test]
    fn the_rule_line_by_line() {
        let settings = BusinessSettings::default();
        let interval = |lower: f64, upper: f64| Interval::new((lower + upper) / 2.0, lower, upper, 0.95).unwrap();
        let of = |jobs, contribution: (f64, f64), loss: (f64, f64)| {
            verdict(jobs, Some(&interval(contribution.0, contribution.1)), Some(&interval(loss.0, loss.1)), &settings)
        };
        assert_eq!(of(9, (20.0, 30.0), (0.0, 0.09)), Verdict::NotEnoughEvidence);
        assert_eq!(of(10, (20.0, 30.0), (0.0, 0.1)), Verdict::TakeOn);
        assert_eq!(of(10, (20.0, 30.0), (0.0, 0.16)), Verdict::FirmQuote);
        assert_eq!(of(10, (1.0, 30.0), (0.0, 0.09)), Verdict::FirmQuote);
        assert_eq!(of(10, (-1.0, 30.0), (0.0, 0.09)), Verdict::NotEnoughEvidence);
        assert_eq!(of(10, (-9.0, 14.9), (0.0, 0.09)), Verdict::Decline);
        assert_eq!(verdict(99, None, None, &settings), Verdict::NotEnoughEvidence);
    }
}

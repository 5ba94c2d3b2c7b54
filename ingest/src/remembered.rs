//! What texts turned out to mean, so that each different one is understood once.

use std::collections::HashMap;
use std::sync::Arc;

/// Different texts that are remembered, of all categories together.
const MOST_TEXTS: usize = 50_000;
const LONGEST_TEXT: usize = 200;

type ByText<T> = HashMap<Box<str>, T, ahash::RandomState>;

/// Results by category, because words mean different things in different appliances, and text.
pub struct Remembered<T> {
    by_category: Vec<(Option<Arc<str>>, ByText<T>)>,
    texts: usize,
}

impl<T: Clone> Remembered<T> {
    pub fn new() -> Self {
        Self { by_category: Vec::new(), texts: 0 }
    }

    /// The result for a text whose category does not matter.
    pub fn of(&mut self, text: &str, read: impl FnOnce() -> T) -> T {
        self.of_category(None, text, read)
    }

    pub fn of_category(&mut self, category: Option<&Arc<str>>, text: &str, read: impl FnOnce() -> T) -> T {
        // few categories, most of them met at once
        let at = self.by_category.iter().position(|(known, _)| known.as_deref() == category.map(AsRef::as_ref)).unwrap_or_else(|| {
            self.by_category.push((category.cloned(), HashMap::default()));
            self.by_category.len() - 1
        });
        let known = &mut self.by_category[at].1;
        if let Some(result) = known.get(text) {
            return result.clone();
        }
        let result = read();
        if self.texts < MOST_TEXTS && text.len() <= LONGEST_TEXT {
            self.texts += 1;
            known.insert(text.into(), result.clone());
        }
        result
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_text_of_a_category_is_read_once() {
        let mut remembered = Remembered::new();
        let (washer, dryer): (Arc<str>, Arc<str>) = ("washer".into(), "dryer".into());
        assert_eq!(remembered.of_category(Some(&washer), "belt", || 1), 1);
        assert_eq!(remembered.of_category(Some(&dryer), "belt", || 2), 2);
        assert_eq!(remembered.of_category(Some(&washer), "belt", || 3), 1);
        assert_eq!(remembered.of("belt", || 4), 4);
        let long = "x".repeat(LONGEST_TEXT + 1);
        assert_eq!((remembered.of(&long, || 5), remembered.of(&long, || 6)), (5, 6));
    }
}

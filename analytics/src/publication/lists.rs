//! Many short lists, one after the other in memory.

#[derive(Clone)]
pub struct Lists<T> {
    /// Where each list begins, and where the last one ends.
    starts: Vec<usize>,
    items: Vec<T>,
}

impl<T> Default for Lists<T> {
    fn default() -> Self {
        Self { starts: vec![0], items: Vec::new() }
    }
}

impl<T: Copy + Default> Lists<T> {
    /// A list for each number below `lists`, of its members in the order in which they come; `members` is gone through twice.
    pub fn of<I: Iterator<Item = (u32, T)>>(lists: usize, members: impl Fn() -> I) -> Self {
        let mut starts = vec![0; lists + 1];
        members().for_each(|(list, _)| starts[list as usize + 1] += 1);
        (0..lists).for_each(|list| starts[list + 1] += starts[list]);
        let mut items = vec![T::default(); starts[lists]];
        let mut next = starts.clone();
        for (list, item) in members() {
            items[next[list as usize]] = item;
            next[list as usize] += 1;
        }
        Self { starts, items }
    }

    pub fn push(&mut self, list: impl IntoIterator<Item = T>) {
        self.items.extend(list);
        self.starts.push(self.items.len());
    }

    pub fn append(&mut self, more: &Self) {
        let end = self.items.len();
        self.items.extend_from_slice(&more.items);
        self.starts.extend(more.starts[1..].iter().map(|start| end + start));
    }

    pub fn at(&self, list: usize) -> &[T] {
        &self.items[self.starts[list]..self.starts[list + 1]]
    }

    pub fn iter(&self) -> impl Iterator<Item = &[T]> {
        self.starts.windows(2).map(|ends| &self.items[ends[0]..ends[1]])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn members_keep_their_order_and_lists_may_be_empty() {
        let mut lists = Lists::of(3, || [(2, 'c'), (0, 'a'), (2, 'd')].into_iter());
        lists.append(&Lists::of(2, || [(1, 'e')].into_iter()));
        lists.push("fg".chars());
        let all: Vec<String> = lists.iter().map(|list| list.iter().collect()).collect();
        assert_eq!(all, ["a", "", "cd", "", "e", "fg"]);
        assert_eq!(lists.at(2), ['c', 'd']);
    }
}

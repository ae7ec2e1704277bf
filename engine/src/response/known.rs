//! What was found of a chain, kept for a while: a check and a run ask the same of it many times, and following
//! a slow chain takes long.

use std::collections::VecDeque;
use std::sync::{Mutex, PoisonError};

use super::Element;

/// Answers that are kept of each kind; a recipe has few chains.
const MOST: usize = 64;

/// Answers to one question about chains.
pub(super) struct Known<T>(Mutex<VecDeque<(Vec<Element>, u64, T)>>);

impl<T: Clone> Known<T> {
    pub const fn new() -> Self {
        Known(Mutex::new(VecDeque::new()))
    }

    /// The answer for a chain and a number; `find` is asked unless it is known.
    pub fn get(&self, elements: &[Element], number: f64, find: impl FnOnce() -> T) -> T {
        let number = number.to_bits();
        let known = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let is_same = |(e, n, _): &&(Vec<Element>, u64, T)| *n == number && e == elements;
        if let Some((.., found)) = known().iter().find(is_same) {
            return found.clone();
        }
        let found = find();
        let mut known = known();
        if known.len() == MOST {
            known.pop_front();
        }
        known.push_back((elements.to_vec(), number, found.clone()));
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_question_is_asked_once() {
        let known = Known::new();
        let chain = |n| [Element::KeepEvery(n)];
        let mut asked = 0;
        for _ in 0..3 {
            for (n, number) in [(2, 0.5), (3, 0.5), (2, 0.25)] {
                let found = known.get(&chain(n), number, || {
                    asked += 1;
                    (n, number)
                });
                assert_eq!(found, (n, number));
            }
        }
        assert_eq!(asked, 3);
        for n in 0..2 * MOST as u64 {
            assert_eq!(known.get(&chain(n), 1.0, || (n, 1.0)), (n, 1.0));
        }
        assert_eq!(known.0.lock().unwrap().len(), MOST);
    }
}

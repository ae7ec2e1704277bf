//! A text with some places replaced, which remembers where everything in it came from.

use std::ops::Range;
use std::sync::Arc;

use crate::diagnostic::{Place, SourceText};

/// A place that is replaced, and what comes in: texts, each with the place that it was taken from.
pub(super) struct Edit {
    pub at: Range<usize>,
    pub new: Vec<(String, Place)>,
}

/// A changed text.
pub(super) struct Edited {
    pub text: String,
    spans: Vec<(Range<usize>, Place)>,
}

impl Edited {
    /// Changes a text; `None` where two edits overlap.
    pub fn new(source: &Arc<SourceText>, mut edits: Vec<Edit>) -> Option<Self> {
        edits.sort_by_key(|e| e.at.start);
        let mut edited = Edited {
            text: String::new(),
            spans: Vec::new(),
        };
        let mut from = 0;
        for edit in edits {
            if edit.at.start < from {
                return None;
            }
            edited.keep(source, from..edit.at.start);
            edit.new
                .into_iter()
                .for_each(|(text, place)| edited.push(&text, place));
            from = edit.at.end;
        }
        edited.keep(source, from..source.text.len());
        Some(edited)
    }

    fn keep(&mut self, source: &Arc<SourceText>, range: Range<usize>) {
        let source = source.clone();
        let place = Place { source, range };
        let text = place.text().to_owned();
        self.push(&text, place);
    }

    fn push(&mut self, text: &str, place: Place) {
        let start = self.text.len();
        self.text += text;
        self.spans.push((start..self.text.len(), place));
    }

    /// Where a place of the changed text came from: to the character where it was copied as it stands.
    pub fn origin(&self, place: &Place) -> Place {
        let start = place.range.start;
        let mut holding = self.spans.iter().filter(|(r, _)| r.contains(&start));
        let Some((range, origin)) = holding.next().or(self.spans.last()) else {
            return place.clone();
        };
        if self.text.get(range.clone()) != Some(origin.text()) {
            return origin.clone();
        }
        let first = origin.range.start + (start - range.start).min(range.len());
        let last = (first + place.range.len()).min(origin.range.end);
        Place {
            source: origin.source.clone(),
            range: first..last.max(first),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(source: &Arc<SourceText>, range: Range<usize>) -> Place {
        let source = source.clone();
        Place { source, range }
    }

    #[test]
    fn places_are_found_again_where_they_came_from() {
        let source = Arc::new(SourceText {
            name: "a".into(),
            text: "one two three | four".into(),
        });
        let copied = place(&source, 16..20);
        let made = place(&source, 14..15);
        let edits = vec![
            Edit {
                at: 8..13,
                new: vec![("made: ".into(), made), ("four".into(), copied)],
            },
            Edit {
                at: 0..3,
                new: Vec::new(),
            },
        ];
        let edited = Edited::new(&source, edits).expect("apart");
        assert_eq!(edited.text, " two made: four | four");
        let other = Arc::new(SourceText {
            name: "b".into(),
            text: edited.text.clone(),
        });
        let origin = |range: Range<usize>| edited.origin(&place(&other, range)).range;
        assert_eq!(origin(1..4), 4..7, "kept");
        assert_eq!(origin(12..14), 17..19, "copied");
        assert_eq!(origin(5..7), 14..15, "made");
        let twice = [0..3, 2..4].map(|at| Edit {
            at,
            new: Vec::new(),
        });
        assert!(Edited::new(&source, twice.into()).is_none());
    }
}

//! What failed and what was remarked on, point by point, as the texts on record tell it.

use super::{Entry, Output};

/// Points that are named in one line.
const NAMED: usize = 6;

/// The point that a finding names, as `point 17, ...` or `point 17: ...` at its beginning. One of another recording is
/// told with that recording's name first, and is none of these points.
pub fn point_of(text: &str) -> Option<u64> {
    let rest = text.strip_prefix("point ")?;
    let end = rest.find(|c: char| !c.is_ascii_digit())?;
    rest[end..]
        .starts_with([',', ':'])
        .then(|| rest[..end].parse().ok())?
}

/// The stage or channel that a finding on a point names.
fn node_of(text: &str) -> Option<&str> {
    let (_, rest) = text.split_once(", `")?;
    rest.split_once("`: ").map(|(node, _)| node)
}

/// Whether a finding tells of samples that were cut off, by the converter or before it.
pub(super) fn is_clipped(text: &str) -> bool {
    [
        "at full scale, the first at",
        "cut off before the converter",
    ]
    .iter()
    .any(|words| text.contains(words))
}

/// Whether a finding tells of samples that are not there.
fn is_missing(text: &str) -> bool {
    ["sample missing", "samples missing"]
        .iter()
        .any(|words| text.contains(words))
}

/// What is the matter with samples that a remark of these words is on.
const ODD: [(&str, &str); 2] = [
    ("of the converter, of", "coarse steps"),
    ("or more in a row at one value", "standing still"),
];

/// A remark in a word: what is the matter, or else the stage that has something to say.
fn word(text: &str) -> String {
    let odd = ODD.iter().find(|(words, _)| text.contains(words));
    match (odd, node_of(text)) {
        _ if is_clipped(text) => "clipped".into(),
        _ if is_missing(text) => "samples missing".into(),
        (Some((_, word)), _) => (*word).into(),
        (None, Some(node)) => format!("`{node}`"),
        (None, None) => "remark".into(),
    }
}

/// The points with a finding, each with what it is in a word, as the end of a line:
/// `2 of 61 points carry a remark: 40 (clipped), 52 (failed)`. `None` where there is none.
pub(crate) fn flagged<'t>(
    points: u64,
    failures: impl Iterator<Item = &'t str>,
    remarks: impl Iterator<Item = &'t str>,
) -> Option<String> {
    let failed = failures.filter_map(|t| Some((point_of(t)?, "failed".to_owned())));
    let remarked = remarks.filter_map(|t| Some((point_of(t)?, word(t))));
    let mut found: std::collections::BTreeMap<u64, Vec<String>> = Default::default();
    for (point, word) in failed.chain(remarked) {
        let words = found.entry(point).or_default();
        // What failed needs no further word.
        if !words.contains(&word) && !words.iter().any(|w| w == "failed") {
            words.push(word);
        }
    }
    let said = |(point, words): (&u64, &Vec<String>)| format!("{point} ({})", words.join(", "));
    let mut named: Vec<String> = found.iter().take(NAMED).map(said).collect();
    if found.len() > NAMED {
        named.push(format!("and {} more", found.len() - NAMED));
    }
    let carry = if found.len() == 1 { "carries" } else { "carry" };
    (!found.is_empty()).then(|| {
        format!(
            "{} of {points} points {carry} a remark: {}",
            found.len(),
            named.join(", ")
        )
    })
}

impl Entry {
    /// Whether a finding concerns an output, or one point of it.
    pub fn concerns(&self, text: &str, output: &Output, point: Option<u64>) -> bool {
        let here = match (point, point_of(text)) {
            (Some(wanted), Some(found)) => wanted == found,
            _ => true,
        };
        let behind = |node: &str| {
            let chain = self.chain(output);
            chain.iter().any(|n| n.name == node)
        };
        here && node_of(text).is_none_or(behind)
    }

    /// Which points of an output failed or carry a remark, in a line; `None` where none does.
    pub fn flagged(&self, output: &Output) -> Option<String> {
        let own = |texts: &'_ [String]| -> Vec<String> {
            let own = texts.iter().filter(|t| self.concerns(t, output, None));
            own.cloned().collect()
        };
        let (failures, remarks) = (own(&self.failures), own(&self.remarks));
        flagged(
            output.points,
            failures.iter().map(String::as_str),
            remarks.iter().map(String::as_str),
        )
    }

    /// The remarks on each point, one line each, as a result file holds them beside the record; none where nothing was
    /// remarked on.
    pub(super) fn remarks_by_point(&self) -> Vec<String> {
        let points = self.outputs.iter().map(|o| o.points).max().unwrap_or(0);
        let of = |point: u64| {
            let own = self.remarks.iter().filter(|t| point_of(t) == Some(point));
            own.map(String::as_str).collect::<Vec<_>>().join("\n")
        };
        match self.remarks.iter().any(|t| point_of(t).is_some()) {
            true => (0..points).map(of).collect(),
            false => Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_point_is_found_at_the_beginning_only() {
        assert_eq!(point_of("point 52, `clock`: no pulses"), Some(52));
        assert_eq!(point_of("point 7: gone"), Some(7));
        for other in [
            "blocked, point 3, `x`: y",
            "`x`: as at point 3: y",
            "point x: y",
            "points 3, 4",
        ] {
            assert_eq!(point_of(other), None, "{other}");
        }
    }

    #[test]
    fn points_are_named_with_what_is_the_matter() {
        let failures = ["point 5, `smooth`: no", "blocked, point 1, `x`: y"];
        let remarks = [
            "point 5, `clock`: stopped",
            "point 4, `detector`: 1 sample at full scale, the first at sample 3",
            "point 9, `clock`: bridged",
            "point 7, `detector`: the samples span 2 steps of the converter, of 1.0000 mV: noise is below",
            "point 8, `detector`: 4096 samples stand still, 2048 or more in a row at one value, the first at or before sample 0",
            "of all points",
        ];
        assert_eq!(
            flagged(61, failures.into_iter(), remarks.into_iter()).as_deref(),
            Some(
                "5 of 61 points carry a remark: 4 (clipped), 5 (failed), 7 (coarse steps), 8 (standing still), 9 (`clock`)"
            )
        );
        assert_eq!(flagged(61, std::iter::empty(), std::iter::empty()), None);
    }
}

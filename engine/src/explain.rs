//! A page for every code of a diagnostic: what it means, a recipe that has the fault, what is shown
//! for it, and the recipe without.

use crate::check::check;
use crate::diagnostic::{Code, Diagnostics};
use crate::recipe::Recipe;
use crate::stage::Registry;
use crate::store::{ChannelHeader, Stretch};
use crate::units::Unit;

/// Fence of an example in a page.
const FENCE: &str = "```";

/// A page, taken apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    /// The code.
    pub code: Code,
    /// Where the fault comes from, and what is done about it.
    pub prose: String,
    /// A recipe that has the fault. Lines `//@ ROLE: RATE Hz, COUNT samples, UNIT` stand for the header
    /// of a recording; `, full scale X`, `, started TIME`, `, N points`, `, axis` and `, gap FROM to TO` may follow.
    pub faulty: String,
    /// The same without it.
    pub cured: String,
}

impl Page {
    /// The page of a code.
    pub fn of(code: Code) -> Page {
        let mut parts = code.page().split(FENCE);
        let mut next = || parts.next().unwrap_or("").trim();
        let prose = next().to_owned();
        let example = |text: &str| text.trim_start_matches("ron").trim().to_owned() + "\n";
        let faulty = example(next());
        next();
        Page {
            code,
            prose,
            faulty,
            cured: example(next()),
        }
    }

    /// The page as a person reads it, with the messages that the faulty recipe gives.
    pub fn render(&self, registry: &Registry) -> String {
        format!(
            "{}: {}\n\n{}\n\nA recipe with this fault:\n\n{}\nWhat is shown for it:\n\n{}\n\nThe same without:\n\n{}",
            self.code,
            self.code.meaning(),
            self.prose,
            indented(&self.faulty),
            indented(&diagnose(&self.faulty, registry).to_string()),
            indented(&self.cured)
        )
    }
}

fn indented(text: &str) -> String {
    let line = |l: &str| match l.is_empty() {
        true => "\n".to_owned(),
        false => format!("    {l}\n"),
    };
    text.lines().map(line).collect()
}

/// What is found in an example, against the headers that it states.
pub fn diagnose(example: &str, registry: &Registry) -> Diagnostics {
    let headers: Vec<ChannelHeader> = example.lines().filter_map(made_up).collect();
    let (recipe, mut all) = Recipe::parse("example.ron", example, registry);
    if let Some(recipe) = &recipe {
        check(
            recipe,
            |role| headers.iter().find(|h| h.role == role),
            &mut all,
        );
    }
    all.sorted()
}

/// The header that a line `//@ ROLE: RATE Hz, COUNT samples, UNIT` stands for.
pub fn made_up(line: &str) -> Option<ChannelHeader> {
    let (role, rest) = line.strip_prefix("//@ ")?.split_once(": ")?;
    let mut parts = rest.split(", ");
    let rate = parts.next()?.strip_suffix(" Hz")?.parse().ok()?;
    let samples: u64 = parts.next()?.strip_suffix(" samples")?.parse().ok()?;
    let unit = Unit::parse(parts.next()?).ok()?;
    let mut header = ChannelHeader {
        has_axis: false,
        ..ChannelHeader::assumed(role, rate, samples, unit)
    };
    for part in parts {
        if let Some(full) = part.strip_prefix("full scale ") {
            header.full_scale = Some(full.parse().ok()?);
        } else if let Some(time) = part.strip_prefix("started ") {
            header.start_time = Some(time.into());
        } else if part == "axis" {
            header.has_axis = true;
        } else if let Some(gap) = part.strip_prefix("gap ") {
            let (from, to) = gap.split_once(" to ")?;
            let (from, to): (u64, u64) = (from.parse().ok()?, to.parse().ok()?);
            let stretch = |stored, grid, length| Stretch {
                stored,
                grid,
                length,
            };
            let rest = samples.checked_sub(to)?;
            header.stretches = vec![stretch(0, 0, from), stretch(from, to, rest)];
        } else {
            header.points = part.strip_suffix(" points")?.parse().ok()?;
        }
    }
    Some(header)
}

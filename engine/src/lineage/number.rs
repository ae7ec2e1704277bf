//! The number at a point of an output in words, as a story begins with it.

use super::{Chosen, Record};
use crate::aspect::Aspect;
use crate::store::StoreError;
use crate::units::{Unit, format_plain, format_quantity, format_uncertain};

/// Digits of what has no uncertainty.
const DIGITS: usize = 6;

impl Record {
    /// The numbers of an estimate at a point with their standard uncertainties and 95 % intervals, a line each; that
    /// there is none, and why; nothing of samples and curves, of which there are many at a point.
    pub(super) fn number(&self, chosen: Chosen<'_>, point: u64) -> Result<String, StoreError> {
        let (entry, output) = (chosen.entry, chosen.output);
        let flow = entry.flow(output);
        let kind = flow.map_or("", |f| f.kind.as_str());
        let bare = flow.is_some_and(|f| f.bare);
        if !kind.ends_with("estimate") {
            return Ok(String::new());
        }
        let group = format!("/{}/{}", entry.name, output.name);
        let held = self.file.names(&group);
        let has = |name: &str| held.iter().any(|n| n == name);
        let mut text = String::new();
        for &aspect in Aspect::all(has("in_phase")) {
            let name = aspect.name();
            let stated = self.file.attribute(&format!("{group}/{name}"), "units");
            let stated = Unit::parse(&stated.unwrap_or_default()).unwrap_or_else(|_| Unit::one());
            let shown = match aspect {
                Aspect::Phase => Unit::degree(),
                _ => stated.clone(),
            };
            let read = |suffix: &str| match has(&format!("{name}{suffix}")) {
                true => {
                    let path = format!("{group}/{name}{suffix}");
                    let row = self.file.row(&path, output.points, point)?;
                    let number = row.first().copied().unwrap_or(f64::NAN);
                    Ok::<f64, StoreError>(number * stated.si_factor())
                }
                false => Ok(f64::NAN),
            };
            let value = read("")?;
            if !value.is_finite() {
                let why = entry.failures.iter();
                let why = why.filter(|f| entry.concerns(f, output, Some(point)));
                return Ok(match why.count() {
                    0 => "  no value\n".into(),
                    _ => "  no value, since it failed as told below\n".into(),
                });
            }
            let (u, low, high) = (read("_errors")?, read("_low")?, read("_high")?);
            let words = match u.is_finite() {
                true => format_uncertain(value, u, &shown),
                false if bare => format_plain(value, &shown, DIGITS),
                false => format!(
                    "{}, uncertainty not evaluated",
                    format_plain(value, &shown, DIGITS)
                ),
            };
            let ends = match low.is_finite() && high.is_finite() {
                true => {
                    let end = |x: f64| format_quantity(x, &shown, 4);
                    format!("; at 95 % {} to {}", end(low), end(high))
                }
                false => String::new(),
            };
            text += &format!("  {:<10} {words}{ends}\n", aspect.words());
        }
        Ok(text)
    }
}

//! Points that hold the samples of another one, as where a file was copied, or given twice.

use std::collections::HashMap;

use super::{Finding, Job, Outcome};
use crate::recordings::RecordingSet;

/// Samples below which two points may be alike by chance.
const FEWEST: u64 = 64;

/// Remarks on points of the main recordings, each with the name of its entry, whose samples are those of an earlier point
/// in every channel, and on other recordings that hold those of a point that they are used with.
pub(crate) fn remark(jobs: &[(&str, &Job<'_>)], outcomes: &mut [Outcome]) {
    let mut seen: HashMap<Vec<blake3::Hash>, (usize, u64)> = HashMap::new();
    for (index, ((_, job), outcome)) in jobs.iter().zip(outcomes).enumerate() {
        let mut found = Vec::new();
        for set in &job.sets {
            let channels = channels(job, set);
            let Some(first) = channels.first() else {
                continue;
            };
            for point in 0..set.points().len() {
                // One without any sample is like another such.
                let fails = |f: &Finding| f.recording == set.name && f.point == Some(point as u64);
                if outcome.failures.iter().any(fails) {
                    continue;
                }
                let Some(samples) = samples(outcome, &channels, point) else {
                    continue;
                };
                let point = point as u64;
                let earlier = seen.get(&samples).copied();
                let is_main = set.name.is_empty();
                if is_main && earlier.is_none() {
                    seen.insert(samples, (index, point));
                }
                // What a recording is compared with serves every entry.
                let Some((entry, other)) = earlier.filter(|e| is_main || e.0 == index) else {
                    continue;
                };
                let whose = match entry == index {
                    true => format!("point {other}"),
                    false => format!("point {other} of `{}`", jobs[entry].0),
                };
                found.push(Finding {
                    recording: set.name.clone(),
                    point: Some(point),
                    node: job.plan.names[*first].clone(),
                    message: format!(
                        "its samples are those of {whose}, and so are those of every other channel: a recording was copied \
                         or given twice, and what is made of both looks more certain than it is"
                    ),
                });
            }
        }
        outcome.remarks.extend(found);
    }
}

/// The channels of a recording; none where points are so short that they may be alike by chance.
fn channels(job: &Job<'_>, set: &RecordingSet) -> Vec<usize> {
    let inputs = 0..job.recipe.inputs.len();
    let headers = inputs.filter_map(|input| Some((input, set.header(input)?)));
    let own: Vec<(usize, u64)> = headers.map(|(input, h)| (input, h.samples)).collect();
    match own.iter().all(|(_, samples)| *samples >= FEWEST) {
        true => own.into_iter().map(|(input, _)| input).collect(),
        false => Vec::new(),
    }
}

/// The hashes of all channels of a point, in an order of their own; nothing where one could not be read.
fn samples(outcome: &Outcome, channels: &[usize], point: usize) -> Option<Vec<blake3::Hash>> {
    let hashes = channels
        .iter()
        .map(|input| outcome.hashes[*input].get(point).copied()?);
    let mut hashes: Vec<blake3::Hash> = hashes.collect::<Option<_>>()?;
    hashes.sort_unstable_by(|a, b| a.as_bytes().cmp(b.as_bytes()));
    Some(hashes)
}

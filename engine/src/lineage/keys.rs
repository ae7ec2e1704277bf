//! Derivation keys: one hash per node over all that decides its numbers.

use crate::plan::Scope;
use crate::run::Job;
use crate::store::ChannelHeader;

/// The key of every node of a job, in the form of a version of the record. `samples` gives, for an input,
/// the hash of the stored samples of each point, empty where they could not be read.
///
/// Means of the same samples have one density of noise, so whatever stands beside a mean decides its uncertainty.
pub fn keys(
    job: &Job<'_>,
    version: u32,
    samples: impl Fn(usize) -> Vec<String>,
) -> Vec<Option<blake3::Hash>> {
    let alone = derived(job, version, &samples, |_| Vec::new());
    derived(job, version, &samples, |node| {
        let beside = job.joint.beside(node);
        beside.into_iter().filter_map(|n| alone[n]).collect()
    })
}

/// The keys, where `beside` tells what else decides the numbers of a node.
fn derived(
    job: &Job<'_>,
    version: u32,
    samples: &impl Fn(usize) -> Vec<String>,
    beside: impl Fn(usize) -> Vec<blake3::Hash>,
) -> Vec<Option<blake3::Hash>> {
    let inputs = job.recipe.inputs.len();
    let mut keys: Vec<Option<blake3::Hash>> = vec![None; job.plan.names.len()];
    for &node in &job.plan.order {
        let mut hasher = blake3::Hasher::new();
        match node.checked_sub(inputs) {
            None => {
                let header = job.sets.iter().find_map(|s| s.header(node));
                let canonical = header.as_ref().map(ChannelHeader::canonical);
                feed(&mut hasher, ["input", &canonical.unwrap_or_default()]);
                // The same bytes are other numbers in another type; version 1 overlooked that.
                if version > 1 {
                    let stored = header.map(|h| number_type(&h.stored).to_owned());
                    feed(&mut hasher, [stored.unwrap_or_default().as_str()]);
                }
                let samples = samples(node);
                feed(&mut hasher, samples.iter().map(String::as_str));
            }
            Some(stage) => {
                let entry = &job.recipe.stages[stage];
                let version = entry.stage.numeric_version();
                feed(
                    &mut hasher,
                    ["stage", entry.stage.name(), &version.to_string()],
                );
                for (path, value) in &entry.described.settings {
                    feed(&mut hasher, [path.as_str(), value.as_str()]);
                }
                for &(source, port) in &job.typed.reads[node] {
                    let key = keys[source].map(|k| *k.as_bytes()).unwrap_or_default();
                    hasher.update(&key);
                    let mut ports = job.typed.ports[source].iter().flatten();
                    feed(&mut hasher, [ports.nth(port).map_or("", |p| p.name())]);
                }
                for key in beside(node) {
                    hasher.update(key.as_bytes());
                }
                // A stage over all points may choose one by its place on the axis.
                if job.plan.scope[node] == Scope::Gathered {
                    for x in &job.axis_of(node).values {
                        hasher.update(&x.to_bits().to_le_bytes());
                    }
                }
            }
        }
        keys[node] = Some(hasher.finalize());
    }
    keys
}

/// The type of stored numbers without the order of their bytes, which changes no number.
pub(crate) fn number_type(stored: &str) -> &str {
    stored.split(' ').next().unwrap_or(stored)
}

/// Whether two types hold the same numbers in the same bits, whatever the order of the bytes.
pub(crate) fn same_numbers(a: &str, b: &str) -> bool {
    number_type(a) == number_type(b)
}

/// Texts with their lengths, so that no two lists of texts give the same bytes.
pub(crate) fn feed<'t>(hasher: &mut blake3::Hasher, texts: impl IntoIterator<Item = &'t str>) {
    for text in texts {
        hasher.update(&(text.len() as u64).to_le_bytes());
        hasher.update(text.as_bytes());
    }
}

//! Keys of intermediate results, and prints by which files are known again.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;
use std::time::{Duration, SystemTime};

use crate::fuse::Shared;
use crate::graph::Node;
use crate::lineage::{feed, number_type};
use crate::run::Job;
use crate::store::ChannelHeader;

/// Bytes at both ends of a file that its print takes in.
const END: u64 = 1 << 16;
/// A file that changed less long ago may change again without a new time, where times are coarse.
const SETTLED: Duration = Duration::from_secs(2);

/// What of the keys of stages does not depend on the point; nothing for inputs.
pub(super) fn of_stages(job: &Job<'_>) -> Vec<blake3::Hash> {
    let inputs = job.recipe.inputs.len();
    let of_node = |node: Node| {
        let mut hasher = blake3::Hasher::new();
        let Some(entry) = node
            .checked_sub(inputs)
            .and_then(|s| job.recipe.stages.get(s))
        else {
            return hasher.finalize();
        };
        let version = entry.stage.numeric_version().to_string();
        let program = env!("CARGO_PKG_VERSION");
        feed(&mut hasher, [program, entry.stage.name(), &version]);
        for (path, value) in &entry.described.settings {
            feed(&mut hasher, [path.as_str(), value.as_str()]);
        }
        // Whatever a check took from headers and constants is in the flows.
        for flow in job.flows_into(node) {
            feed(&mut hasher, [format!("{flow:?}").as_str()]);
        }
        for port in job.typed.ports[node].iter().flatten() {
            feed(&mut hasher, [format!("{port:?}").as_str()]);
        }
        hasher.finalize()
    };
    (0..job.plan.names.len()).map(of_node).collect()
}

/// The key of every node at a point; `None` where an input is not known. `input` gives header and hash of the
/// stored samples.
///
/// Chains that are computed together come out with other last digits than one by one, and each shares sums with the
/// others of its group: so the key of the last stage of one takes in all of them.
pub(super) fn at_point<'h>(
    job: &Job<'_>,
    shared: &[Shared],
    stages: &[blake3::Hash],
    input: impl Fn(Node) -> Option<(&'h ChannelHeader, blake3::Hash)>,
) -> Vec<Option<blake3::Hash>> {
    let plain = derived(job, stages, &input, |_| None);
    if shared.is_empty() {
        return plain;
    }
    derived(job, stages, &input, |node| {
        let group = shared.iter().find(|s| s.heads.contains(&node))?;
        let mut hasher = blake3::Hasher::new();
        hasher.update(b"together");
        for head in &group.heads {
            hasher.update(plain[*head]?.as_bytes());
            hasher.update(&[u8::from(*head == node), u8::from(group.less_mean)]);
        }
        Some(hasher.finalize())
    })
}

/// Keys by stages and what they read, but for those that `other` gives.
fn derived<'h>(
    job: &Job<'_>,
    stages: &[blake3::Hash],
    input: impl Fn(Node) -> Option<(&'h ChannelHeader, blake3::Hash)>,
    other: impl Fn(Node) -> Option<blake3::Hash>,
) -> Vec<Option<blake3::Hash>> {
    let inputs = job.recipe.inputs.len();
    let mut keys: Vec<Option<blake3::Hash>> = vec![None; stages.len()];
    for &node in &job.plan.order {
        let mut hasher = blake3::Hasher::new();
        if node < inputs {
            let Some((header, samples)) = input(node) else {
                continue;
            };
            let canonical = header.canonical();
            let full_scale = format!("{:?}", header.full_scale);
            let texts = [&canonical, number_type(&header.stored), &full_scale];
            feed(&mut hasher, texts);
            hasher.update(samples.as_bytes());
        } else {
            hasher.update(stages[node].as_bytes());
            let reads = &job.typed.reads[node];
            let known = reads
                .iter()
                .map(|&(source, port)| Some((keys[source]?, port)));
            let Some(known) = known.collect::<Option<Vec<_>>>() else {
                continue;
            };
            if let Some(key) = other(node) {
                hasher.update(key.as_bytes());
            }
            for (key, port) in known {
                hasher.update(key.as_bytes());
                hasher.update(&(port as u64).to_le_bytes());
            }
        }
        keys[node] = Some(hasher.finalize());
    }
    keys
}

/// By what a file is known again.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct FilePrint {
    hash: blake3::Hash,
    marks: String,
}

impl FilePrint {
    /// Takes the print of a file; `None` where it cannot be taken, or where the file changed just now.
    pub fn of(path: &Path) -> Option<Self> {
        let whole = path.canonicalize().ok()?;
        let mut file = File::open(&whole).ok()?;
        let data = file.metadata().ok()?;
        if data
            .modified()
            .ok()?
            .elapsed()
            .is_ok_and(|age| age < SETTLED)
        {
            return None;
        }
        let marks = marks(&data)?;
        let mut hasher = blake3::Hasher::new();
        feed(&mut hasher, [whole.to_str()?, &marks]);
        let mut ends = Vec::new();
        file.by_ref().take(END).read_to_end(&mut ends).ok()?;
        let last = data.len().saturating_sub(END);
        file.seek(SeekFrom::Start(last)).ok()?;
        file.by_ref().take(END).read_to_end(&mut ends).ok()?;
        hasher.update(&ends);
        let hash = hasher.finalize();
        Some(FilePrint { hash, marks })
    }

    /// Whether the file at a path still has the size and times that it had.
    pub fn still_holds(&self, path: &Path) -> bool {
        let data = std::fs::metadata(path);
        data.is_ok_and(|data| marks(&data).is_some_and(|m| m == self.marks))
    }

    /// The print of a point of a channel in the file.
    pub fn at_point(&self, header: &ChannelHeader, point: u64) -> blake3::Hash {
        let mut hasher = blake3::Hasher::new();
        hasher.update(self.hash.as_bytes());
        let canonical = header.canonical();
        feed(
            &mut hasher,
            [&header.dataset, &canonical, &header.stored].map(String::as_str),
        );
        hasher.update(&point.to_le_bytes());
        hasher.finalize()
    }
}

/// Size, times, and what the system keeps of a file that no program sets at will.
fn marks(data: &std::fs::Metadata) -> Option<String> {
    let modified = data.modified().ok()?;
    let since = modified.duration_since(SystemTime::UNIX_EPOCH).ok()?;
    let own = system_marks(data);
    Some(format!("{} {since:?} {own}", data.len()))
}

#[cfg(unix)]
fn system_marks(data: &std::fs::Metadata) -> String {
    use std::os::unix::fs::MetadataExt;
    let (device, inode) = (data.dev(), data.ino());
    format!("{device} {inode} {} {}", data.ctime(), data.ctime_nsec())
}

#[cfg(not(unix))]
fn system_marks(_: &std::fs::Metadata) -> String {
    String::new()
}

//! Hashes of the stored samples of recordings, as a run takes them.

use crate::recordings::RecordingSet;
use crate::store::{ChannelHeader, Counters, Hash, RecordingFile, StoreError};

/// Samples read at a time.
const BLOCK: u64 = 1 << 16;

/// For every input, the hash of the stored samples of each point of its recording; zeros where they
/// cannot be read.
pub fn sample_hashes(sets: &[RecordingSet], inputs: usize) -> Vec<Vec<Hash>> {
    let mut hashes = vec![Vec::new(); inputs];
    for set in sets {
        for place in set.points() {
            let file = set.files.get(place.file);
            let Some(content) = file.and_then(|f| f.content.as_ref().ok()) else {
                continue;
            };
            for (input, header) in content.headers.iter().enumerate() {
                if let Some(header) = header {
                    let hash = point_hash(&content.file, header, place.within);
                    hashes[input].push(hash.unwrap_or([0; 32]));
                }
            }
        }
    }
    hashes
}

fn point_hash(
    file: &RecordingFile,
    header: &ChannelHeader,
    point: u64,
) -> Result<Hash, StoreError> {
    let mut reader = file.reader(header)?;
    let mut hasher = blake3::Hasher::new();
    let mut counters = Counters::default();
    let mut samples = vec![0.0; BLOCK.min(header.samples) as usize];
    let mut start = 0;
    while start < header.samples {
        let length = BLOCK.min(header.samples - start);
        let block = &mut samples[..length as usize];
        let mut update = |bytes: &[u8]| {
            hasher.update(bytes);
        };
        reader.read(point, start, block, &mut counters, Some(&mut update))?;
        start += length;
    }
    Ok(*hasher.finalize().as_bytes())
}

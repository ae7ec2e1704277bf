//! Every way in which numbers lie in a file, against what h5py reads; damage; and threads that share chunks.

use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

use hdf5::plist::dataset_create::ChunkOpts;

use super::foreign::python;
use super::{file, read};
use crate::recipe::{Channel, RateOrigin};
use crate::store::cache::Cache;
use crate::store::ends::WINDOW;
use crate::store::filters::Decoded;
use crate::store::{
    ChannelHeader, ChannelReader, Counters, FileContents, RecordingFile, StoredSamples,
};

/// Names begin with `direct` where the library must not be needed. Beside each dataset of `FILE.h5` goes
/// what h5py reads from it, little-endian, as `FILE.NAME`.
const WRITE: &str = r#"
import sys, os, zlib, numpy as np, h5py
folder = sys.argv[1]
rng = np.random.default_rng(11)
kinds = ['i1', 'i2', 'i4', 'i8', 'u1', 'u2', 'u4', 'u8', 'f4', 'f8']

def shuffled(a):
    return np.frombuffer(a.tobytes(), 'u1').reshape(-1, a.itemsize).T.tobytes()

def low(f, name, dtype, shape, chunk, *filters, fill=None):
    plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    plist.set_chunk(chunk)
    for filter, *values in filters:
        getattr(plist, 'set_' + filter)(*values)
    if fill is not None:
        plist.set_fill_value(np.array([fill], dtype))
    tid = dtype if isinstance(dtype, h5py.h5t.TypeID) else h5py.h5t.py_create(np.dtype(dtype))
    return h5py.h5d.create(f.id, name.encode(), tid, h5py.h5s.create_simple(shape), plist)

for kind in kinds:
    for block in (0, 1024):
        libver = 'latest' if block else None
        path = f'{folder}/{kind}_{block}.h5'
        with h5py.File(path, 'w', userblock_size=block, libver=libver) as f:
            x = np.cumsum(rng.integers(-3, 4, 5000)) % 100
            v, rows = x.astype(kind), np.stack([x, x[::-1], x % 17, x // 2, x // 3]).astype(kind)
            if kind == 'f8':
                v[7], v[4000] = np.nan, -np.inf
            f['direct_contiguous'] = v
            f['direct_rows'] = rows
            f.create_dataset('direct_chunks', data=v, chunks=(333,), maxshape=(None,))
            f.create_dataset('direct_one_chunk', data=v, chunks=(5000,))
            f.create_dataset('direct_large_chunk', data=v, chunks=(6000,), maxshape=(9000,), compression=1)
            for level in (0, 1, 6, 9):
                f.create_dataset(f'direct_deflate_{level}', data=v, chunks=(512,), compression=level)
            f.create_dataset('direct_shuffled', data=v, chunks=(512,), shuffle=True)
            f.create_dataset('direct_all', data=v, chunks=(700,), compression=4, shuffle=True, fletcher32=True)
            f.create_dataset('direct_sums', data=v, chunks=(333,), fletcher32=True)
            f.create_dataset('direct_tiles', data=rows, chunks=(2, 700), compression=4, shuffle=True)
            f.create_dataset('direct_plain_tiles', data=rows, chunks=(3, 999))
            f.create_dataset('direct_columns', data=rows[:, :200], chunks=(5, 1), compression=1)
            for name, filters in (('sum_first', (('fletcher32',), ('deflate', 5))),
                                  ('sum_between', (('shuffle',), ('fletcher32',), ('deflate', 5)))):
                low(f, f'direct_{name}', kind, (5000,), (600,), *filters)
                f[f'direct_{name}'][:] = v
            low(f, 'shuffled_last', kind, (5000,), (600,), ('deflate', 5), ('shuffle',))
            f['shuffled_last'][:] = v
            f.create_dataset('lzf', data=v, chunks=(600,), compression='lzf', shuffle=True)
            f.create_dataset('big', data=v.astype('>' + kind), chunks=(600,), compression=1, shuffle=True)
            # Never written, or in part; with and without a value of its own for what was not.
            f.create_dataset('direct_nothing', (3000,), kind)
            f.create_dataset('direct_nothing_filled', (3000,), kind, fillvalue=5)
            low(f, 'direct_part', kind, (3, 5000), (1, 600), ('deflate', 1), fill=7)
            f['direct_part'][1, 1800:2500] = v[:700]
            low(f, 'direct_plain_part', kind, (5000,), (600,), fill=9)
            f['direct_plain_part'][600:1000] = v[:400]
            # Chunks that skipped filters.
            masked = low(f, 'direct_masked', kind, (3000,), (500,), ('shuffle',), ('deflate', 3), ('fletcher32',))
            f['direct_masked'][:] = v[:3000]
            part = lambda i: v[500 * i:500 * i + 500]
            masked.write_direct_chunk((500,), part(1).tobytes(), 7)
            masked.write_direct_chunk((1000,), shuffled(part(2)), 6)
            masked.write_direct_chunk((1500,), zlib.compress(part(3).tobytes()), 5)
            masked.write_direct_chunk((2000,), zlib.compress(shuffled(part(4))), 4)
            if block == 0:
                d = f.create_dataset('outside', (5000,), kind, external=[(f'{folder}/{kind}.raw', 0, 5000 * v.itemsize)])
                d[:] = v
            layout = h5py.VirtualLayout((4000,), kind)
            layout[:] = h5py.VirtualSource('.', 'direct_contiguous', (5000,), dtype=kind)[1000:]
            f.create_virtual_dataset('virtual', layout)
            plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
            plist.set_layout(h5py.h5d.COMPACT)
            h5py.h5d.create(f.id, b'compact', h5py.h5t.py_create(v.dtype), h5py.h5s.create_simple((500,)), plist)
            f['compact'][:] = v[:500]
            if kind == 'i2':
                # Twelve bits of sixteen, of which the library extends the sign.
                odd = h5py.h5t.STD_I16LE.copy()
                odd.set_precision(12)
                low(f, 'odd', odd, (5000,), (600,), ('deflate', 1))
                f['odd'][:] = v - 40
        with h5py.File(path) as f:
            for name in f:
                f[name][()].astype('<' + kind).tofile(f'{folder}/{kind}_{block}.{name}')
"#;

fn channel(recording: &RecordingFile, name: &str) -> ChannelHeader {
    let channel = Channel {
        rate: Some(RateOrigin::Stated(1e3)),
        ..Channel::default()
    };
    recording.channel(name, &channel, None).unwrap()
}

/// Numbers of a kind as h5py names it.
fn numbers(kind: &str, bytes: &[u8]) -> Vec<f64> {
    macro_rules! of {
        ($type:ty) => {
            bytes
                .chunks_exact(size_of::<$type>())
                .map(|b| <$type>::from_le_bytes(b.try_into().unwrap()) as f64)
                .collect()
        };
    }
    match kind {
        "i1" => of!(i8),
        "i2" => of!(i16),
        "i4" => of!(i32),
        "i8" => of!(i64),
        "u1" => of!(u8),
        "u2" => of!(u16),
        "u4" => of!(u32),
        "u8" => of!(u64),
        "f4" => of!(f32),
        _ => of!(f64),
    }
}

#[test]
fn numbers_are_what_another_reader_finds_wherever_they_lie() {
    let folder = tempfile::tempdir().unwrap();
    if python(WRITE, folder.path()).is_none() {
        return;
    }
    let mut seen = [0, 0];
    for (kind, block) in ["i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8", "f4", "f8"]
        .iter()
        .flat_map(|k| [(k, 0), (k, 1024)])
    {
        let path = folder.path().join(format!("{kind}_{block}.h5"));
        let recording = RecordingFile::open(&path).unwrap();
        for dataset in FileContents::of(&path).unwrap().datasets {
            let name = dataset.path.trim_start_matches('/');
            let header = channel(&recording, name);
            let stored = folder.path().join(format!("{kind}_{block}.{name}"));
            let stored = std::fs::read(stored).unwrap();
            let direct = recording.reader(&header).unwrap().is_direct();
            // One byte has no order.
            let expected = name.starts_with("direct") || name == "big" && kind.ends_with('1');
            assert_eq!(direct, expected, "{kind} {block} {name}");
            seen[usize::from(direct)] += 1;
            let row = stored.len() / header.points as usize;
            for (point, bytes) in (0..).zip(stored.chunks(row)) {
                let expected: Vec<u64> = numbers(kind, bytes)
                    .iter()
                    .map(|v| {
                        if v.is_finite() {
                            v.to_bits()
                        } else {
                            f64::NAN.to_bits()
                        }
                    })
                    .collect();
                for slice in [97, 5000] {
                    let found = read(&path, &header, point, slice);
                    assert_eq!(
                        found.hash,
                        blake3::hash(bytes),
                        "{kind} {block} {name} {point}"
                    );
                    assert_eq!(found.bits, expected, "{kind} {block} {name} {point}");
                }
            }
        }
    }
    assert!(seen[0] > 100 && seen[1] > 300, "{seen:?}");
}

#[test]
fn edges_that_no_filter_touched_are_left_to_the_library() {
    let folder = tempfile::tempdir().unwrap();
    let values: Vec<i16> = (0..2500).map(|i| i % 50).collect();
    let path = file(folder.path(), "a.h5", |f| {
        let builder = f.new_dataset_builder().chunk([1000]).shuffle().deflate(2);
        let builder = builder.chunk_opts(ChunkOpts::DONT_FILTER_PARTIAL_CHUNKS);
        builder.with_data(&values).create("x").unwrap();
    });
    let recording = RecordingFile::open(&path).unwrap();
    let header = channel(&recording, "x");
    assert!(!recording.reader(&header).unwrap().is_direct());
    let expected: Vec<f64> = values.iter().map(|&v| f64::from(v)).collect();
    assert_eq!(read(&path, &header, 0, 300).values(), expected);
}

/// A record of numbers that deflate to a part of their size; chunks of 1000.
fn record(folder: &Path, samples: usize) -> std::path::PathBuf {
    let values: Vec<i16> = (0..samples).map(|i| (i * i / 7 % 400) as i16).collect();
    file(folder, "a.h5", |f| {
        let builder = f.new_dataset_builder().chunk([1000]).shuffle().deflate(6);
        builder.with_data(&values).create("x").unwrap();
    })
}

fn message(reader: &ChannelReader, start: u64) -> Option<String> {
    let mut out = [0.0; 10];
    let read = reader.read(0, start, &mut out, &mut Counters::default(), None);
    read.err().map(|e| e.to_string())
}

#[test]
fn damaged_chunks_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = record(folder.path(), 4500);
    let whole = std::fs::read(&path).unwrap();
    // The heads of streams of level 6 (RFC 1950) are those of the five chunks.
    let heads: Vec<usize> = (0..whole.len() - 1)
        .filter(|&i| whole[i..i + 2] == [0x78, 0x9c])
        .collect();
    assert_eq!(heads.len(), 5);
    // The head, the first block's kind, the middle, and the sum at the end.
    let length = heads[3] - heads[2];
    for offset in [0, 2, length / 2, length - 1] {
        let mut bytes = whole.clone();
        bytes[heads[2] + offset] ^= 0x26;
        std::fs::write(&path, bytes).unwrap();
        let recording = RecordingFile::open(&path).unwrap();
        let reader = recording.reader(&channel(&recording, "x")).unwrap();
        let place = format!(
            "a.h5: `/x`: cannot read samples 2990 to 3000: the chunk of samples 2000 to 3000 ({length} \
             bytes at byte {})",
            heads[2]
        );
        let found = message(&reader, 2990).unwrap();
        assert!(found.contains(&place), "{offset}: {found}");
        assert!(
            found.contains("cannot be inflated; copy the file again"),
            "{offset}: {found}"
        );
        assert_eq!(message(&reader, 2990), Some(found));
        for start in [0, 1000, 3000, 4490] {
            assert_eq!(message(&reader, start), None);
        }
    }
}

#[test]
fn files_that_end_while_they_are_read_are_errors() {
    let folder = tempfile::tempdir().unwrap();
    let path = record(folder.path(), 4500);
    let recording = RecordingFile::open(&path).unwrap();
    let header = channel(&recording, "x");
    let reader = recording.reader(&header).unwrap();
    assert_eq!(message(&reader, 0), None);
    let open = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    open.set_len(64).unwrap();
    let found = message(&reader, 3000).unwrap();
    assert!(
        found.contains("the chunk of samples 3000 to 4000 ("),
        "{found}"
    );
    assert!(
        found.contains("the file ends before it; copy the file again"),
        "{found}"
    );
    let again = recording.reader(&header).err().unwrap().to_string();
    assert!(
        again.contains("changed since it was first looked at"),
        "{again}"
    );
}

#[test]
fn threads_share_the_blocks_of_a_record() {
    let folder = tempfile::tempdir().unwrap();
    let path = record(folder.path(), 100_000);
    let recording = RecordingFile::open(&path).unwrap();
    let header = channel(&recording, "x");
    let reader = recording.reader(&header).unwrap();
    let alone = read(&path, &header, 0, 100_000);
    for block in [64, 999, 1000, 4096] {
        let next = AtomicUsize::new(0);
        let blocks = 100_000usize.div_ceil(block);
        let work = || {
            let mut found = Vec::new();
            let mut stored = StoredSamples::default();
            loop {
                let index = next.fetch_add(1, Ordering::Relaxed);
                if index >= blocks {
                    return found;
                }
                let start = index * block;
                let length = block.min(100_000 - start);
                reader
                    .read_stored(0, start as u64, length, &mut stored)
                    .unwrap();
                assert_eq!(stored.len(), length);
                let mut out = vec![0.0; length];
                let mut seen = Counters::default();
                reader.convert(&stored, 0, &mut out, &mut seen);
                found.push((index, stored.bytes().to_vec(), out, seen));
            }
        };
        let mut all: Vec<_> = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..4).map(|_| scope.spawn(work)).collect();
            threads
                .into_iter()
                .flat_map(|t| t.join().unwrap())
                .collect()
        });
        all.sort_by_key(|(index, ..)| *index);
        let mut hasher = blake3::Hasher::new();
        let mut counters = Counters::default();
        let mut bits = Vec::new();
        for (_, bytes, out, seen) in &all {
            hasher.update(bytes);
            counters.merge(seen);
            bits.extend(out.iter().map(|v| v.to_bits()));
        }
        assert_eq!(bits, alone.bits);
        assert_eq!(hasher.finalize(), alone.hash);
        // Whole windows are seen where blocks end with them.
        if !(block as u64).is_multiple_of(WINDOW) {
            counters.spans = alone.counters.spans;
        }
        assert_eq!(counters, alone.counters);
    }
}

#[test]
fn no_chunk_is_decoded_twice_and_threads_decode_different_ones() {
    let cache = Cache::new(1 << 20, 1 << 10);
    let made: Vec<AtomicUsize> = (0..64).map(|_| AtomicUsize::new(0)).collect();
    let (now, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let make = |index: u64, _| {
        most.fetch_max(now.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
        made[index as usize].fetch_add(1, Ordering::SeqCst);
        std::thread::sleep(std::time::Duration::from_millis(2));
        now.fetch_sub(1, Ordering::SeqCst);
        Ok(Decoded::plain(vec![index as u8; 1 << 10]))
    };
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| {
                for index in 0..64 {
                    let slot = cache.get(index, 63, make);
                    let Some(Ok(decoded)) = slot.get() else {
                        panic!("chunk {index} is not there");
                    };
                    assert_eq!(decoded.bytes, [index as u8; 1 << 10]);
                }
            });
        }
    });
    assert!(made.iter().all(|m| m.load(Ordering::SeqCst) == 1));
    assert!(most.load(Ordering::SeqCst) > 1, "one chunk at a time");
}

#[test]
fn the_cache_forgets_the_oldest_and_uses_its_buffer_again() {
    // Room for three chunks with what goes beside them.
    let cache = Cache::new(3 * (1000 + 128), 1000);
    let make = |index: u64, buffer: Vec<u8>| {
        let used = buffer.capacity();
        let mut bytes = vec![index as u8; 1000];
        bytes.push(u8::from(used > 0));
        Ok(Decoded::plain(bytes))
    };
    let reused = |index| {
        let slot = cache.get(index, 100, make);
        let decoded = slot.get().unwrap().as_ref();
        decoded.map(|d| d.bytes[1000] == 1).unwrap()
    };
    assert_eq!([0, 1, 2].map(reused), [false; 3]);
    assert_eq!([3, 4, 5].map(reused), [true; 3]);
    // Still there, so as they were made.
    assert_eq!([3, 4, 5].map(reused), [true; 3]);
    let failing = cache.get(50, 100, |_, _| Err("damaged".into()));
    assert!(matches!(failing.get(), Some(Err(why)) if why == "damaged"));
}

//! Files of another writer are read, and result files are read by another reader: Python's h5py, if
//! there is one (`PHASEMILL_PYTHON`, or else `python3`).

use std::path::Path;
use std::process::Command;

use super::{Seen, read};
use crate::recipe::{Channel, RateOrigin};
use crate::store::{RecordingFile, ResultWriter};

/// Runs a script; `None` when there is no Python with h5py.
pub(super) fn python(script: &str, argument: &Path) -> Option<()> {
    let program = std::env::var_os("PHASEMILL_PYTHON").unwrap_or_else(|| "python3".into());
    let has = Command::new(&program).args(["-c", "import h5py"]).output();
    if !has.is_ok_and(|o| o.status.success()) {
        eprintln!("skipped: no Python with h5py");
        return None;
    }
    let done = Command::new(&program)
        .arg("-c")
        .arg(script)
        .arg(argument)
        .output()
        .unwrap();
    assert!(
        done.status.success(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    Some(())
}

const WRITE: &str = r#"
import sys, numpy as np, h5py
x = (np.arange(5000) * 7919) % 251 - 125
for order, name in (('<', 'little'), ('>', 'big')):
    for t in ('i1', 'i2', 'i4', 'i8', 'u1', 'u2', 'u4', 'u8', 'f4', 'f8'):
        v = (x + 125 if t[0] == 'u' else x).astype(order + t)
        if t[0] == 'f':
            v = (v + 0.25).astype(order + t)
        with h5py.File(f'{sys.argv[1]}/{name}_{t}.h5', 'w', libver='latest' if t == 'i2' else None) as f:
            f['contiguous'] = v
            f.create_dataset('chunks', data=v, chunks=(333,), maxshape=(None,))
            f.create_dataset('gzip', data=v, chunks=(333,), compression='gzip', shuffle=True)
            f.create_dataset('lzf', data=v, chunks=(1000,), compression='lzf')
            f.create_dataset('checked', data=v, chunks=(1000,), fletcher32=True)
            f.create_dataset('rows', data=np.stack([v[::-1], v]).astype(v.dtype), chunks=(2, 700), compression='gzip')
            f.create_dataset('plain_rows', data=np.stack([v[::-1], v]).astype(v.dtype))
            if t[0] != 'f':
                f.create_dataset('scaled', data=v, chunks=(1000,), scaleoffset=0)
            d = f['contiguous']
            d.attrs['sample_rate'] = np.float32(1000)
            d.attrs['units'] = np.bytes_('mV')
            d.attrs['start_time'] = '2026-03-01 12:00 \u00b5'
            d.attrs['scale'] = np.array([2], dtype='>i2')
            d.attrs['nothing'] = h5py.Empty('f')
"#;

#[test]
fn files_of_another_writer_are_read() {
    let folder = tempfile::tempdir().unwrap();
    if python(WRITE, folder.path()).is_none() {
        return;
    }
    for kind in ["i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8", "f4", "f8"] {
        let shift = if kind.starts_with('u') {
            125.0
        } else if kind.starts_with('f') {
            0.25
        } else {
            0.0
        };
        let expected: Vec<f64> = (0..5000)
            .map(|i| f64::from(i * 7919 % 251 - 125) + shift)
            .collect();
        let mut first: Option<Seen> = None;
        for order in ["little", "big"] {
            let path = folder.path().join(format!("{order}_{kind}.h5"));
            let recording = RecordingFile::open(&path).unwrap();
            for name in [
                "contiguous",
                "chunks",
                "gzip",
                "lzf",
                "checked",
                "rows",
                "plain_rows",
                "scaled",
            ] {
                if name == "scaled" && kind.starts_with('f') {
                    continue;
                }
                let channel = Channel {
                    rate: Some(RateOrigin::Stated(1.0)),
                    unit: Some(crate::units::Unit::parse("V").unwrap()),
                    scale: Some(crate::recipe::Origin::Stated(Box::new(
                        crate::constant::Constant::one(),
                    ))),
                    ..Channel::default()
                };
                let header = recording.channel(name, &channel, None).unwrap();
                assert_eq!(
                    header.stored.contains("big-endian"),
                    order == "big" && !kind.ends_with('1'),
                    "{order} {kind} {name}: {}",
                    header.stored
                );
                let point = u64::from(header.two_dimensional);
                let seen = read(&path, &header, point, 777);
                assert_eq!(seen.values(), expected, "{order} {kind} {name}");
                // One byte order and one layout give the hash of every other.
                assert_eq!(
                    first.get_or_insert_with(|| seen.clone()).hash,
                    seen.hash,
                    "{order} {kind} {name}"
                );
            }
            let own = recording
                .channel("contiguous", &Channel::default(), None)
                .unwrap();
            assert_eq!(
                (own.rate, own.scale, own.unit.ascii().as_str()),
                (1000.0, 2.0, "mV")
            );
            assert_eq!(own.start_time.as_deref(), Some("2026-03-01 12:00 µ"));
        }
    }
}

const READ: &str = r#"
import sys, numpy as np, h5py
with h5py.File(sys.argv[1], 'r') as f:
    assert f.attrs['NX_class'] == 'NXroot', f.attrs['NX_class']
    entry = f[f.attrs['default']]
    assert entry.attrs['NX_class'] == 'NXentry' and entry['title'][()].decode() == 'a film'
    for name, group in entry.items():
        if name == 'title':
            continue
        assert group.attrs['NX_class'] == 'NXdata', name
        signal = group[group.attrs['signal']]
        assert signal.dtype == np.dtype('<f8') and isinstance(signal.attrs['units'], str), name
        axes = list(group.attrs['axes'])
        assert len(axes) == signal.ndim, (name, axes)
        for axis, size in zip(axes, signal.shape):
            assert group[axis].shape == (size,), (name, axis)
        errors = group.attrs['signal'] + '_errors'
        if errors in group:
            assert group[errors].shape == signal.shape, name
    answer = entry['answer']
    assert np.array_equal(answer['in_phase'][:], [3, -1]) and answer['phase'].attrs['units'] == 'rad'
    assert list(answer.attrs['auxiliary_signals']) == ['in_phase', 'quadrature']
    assert [s.decode() for s in answer['uncertainty/source'][:]] == ['gain', 'noise']
    assert np.isnan(entry['slow/value'][1, 1:]).all() and entry['slow/value'].compression is None
    assert entry['slow/time'].compression == 'gzip'
    assert f['provenance/recipe'][()].decode().startswith('Recipe(')
    assert f['provenance'].attrs['NX_class'] == 'NXcollection'
"#;

#[test]
fn result_files_are_read_by_another_reader() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("results.h5");
    let mut writer = ResultWriter::create(&target, false).unwrap();
    super::results::fill(&mut writer);
    writer.finish().unwrap();
    python(READ, &target);
}

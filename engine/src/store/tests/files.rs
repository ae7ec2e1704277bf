//! Files as a whole: axes, contents, and every way in which a file cannot be opened.

use hdf5::types::VarLenUnicode;

use super::{array, file, number, text};
use crate::recipe::{Axis, Channel, RateOrigin};
use crate::store::{ChannelHeader, FileContents, RecordingFile};

fn plain(file: &hdf5::File) {
    number(
        &array(file, "detector", &[4], &[1i16, 2, 3, 4]),
        "sample_rate",
        1000.0,
    );
}

#[test]
fn axes_come_from_datasets_and_attributes() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        let group = f.create_group("run").unwrap();
        let rows = array(&group, "detector", &[3, 2], &[1i16, 2, 3, 4, 5, 6]);
        number(&rows, "sample_rate", 10);
        text(&rows, "axis", "wavelength");
        let axis = group
            .new_dataset_builder()
            .with_data(&[500i32, 510, 520])
            .create("wavelength")
            .unwrap();
        text(&axis, "units", "nm");
        f.new_dataset_builder()
            .with_data(&[1.0, 2.0])
            .create("short")
            .unwrap();
        array(f, "flat", &[1, 3], &[1.0, 2.0, 3.0]);
        let one = f
            .new_dataset_builder()
            .with_data(&[1.0, 2.0])
            .create("one")
            .unwrap();
        number(&one, "sample_rate", 10);
        number(f, "wavelength", 633.0);
        text(f, "wavelength_units", "nm");
        text(f, "temperature", "4 V");
    });
    let recording = RecordingFile::open(&path).unwrap();
    let channel = Channel {
        dataset: Some("run/detector".into()),
        ..Channel::default()
    };
    let rows = recording.channel("detector", &channel, None).unwrap();
    let axis = recording.axis(None, &rows).unwrap().unwrap();
    assert_eq!(
        (axis.name.as_str(), axis.unit.as_str(), axis.values),
        ("wavelength", "nm", vec![500.0, 510.0, 520.0])
    );
    let fault =
        |axis: Axis, of: &ChannelHeader| recording.axis(Some(&axis), of).unwrap_err().to_string();
    assert!(
        fault(Axis::Dataset("short".into()), &rows)
            .contains("`/short`: expected 3 numbers, one per point, found the shape [2]")
    );
    assert!(fault(Axis::Dataset("flat".into()), &rows).contains("found the shape [1, 3]"));
    assert!(
        fault(Axis::Attribute("wavelength".into()), &rows)
            .contains("expected one point per file when the axis is an attribute, found 3")
    );
    let one = recording.channel("one", &Channel::default(), None).unwrap();
    assert_eq!(recording.axis(None, &one).unwrap(), None);
    let axis = recording
        .axis(Some(&Axis::Attribute("wavelength".into())), &one)
        .unwrap()
        .unwrap();
    assert_eq!(
        (axis.name.as_str(), axis.unit.as_str(), axis.values),
        ("wavelength", "nm", vec![633.0])
    );
    let axis = recording
        .axis(Some(&Axis::Attribute("temperature".into())), &one)
        .unwrap()
        .unwrap();
    assert_eq!((axis.unit.as_str(), axis.values), ("V", vec![4.0]));
    assert!(
        fault(Axis::Attribute("speed".into()), &one).contains("found none; it has the attributes")
    );
}

#[test]
fn files_that_cannot_be_opened_say_why() {
    let folder = tempfile::tempdir().unwrap();
    let of = |path: &std::path::Path| {
        let message = RecordingFile::open(path).unwrap_err().to_string();
        message.replace(
            &format!(
                "{}: expected an HDF5 file that can be read, found ",
                path.display()
            ),
            "",
        )
    };
    let path = folder.path().join("a.h5");
    assert_eq!(of(&path), "no such file; check the path");
    assert!(of(folder.path()).starts_with("a folder;"));
    std::fs::write(&path, b"").unwrap();
    assert!(of(&path).starts_with("an empty file;"));
    std::fs::write(&path, b"time,detector\n0,1\n").unwrap();
    assert_eq!(
        of(&path),
        "another format; convert it to HDF5, or name another file"
    );
    let whole = file(folder.path(), "b.h5", |f| {
        drop(
            f.new_dataset_builder()
                .with_data(&[0u8; 9000])
                .create("x")
                .unwrap(),
        )
    });
    let bytes = std::fs::read(&whole).unwrap();
    std::fs::write(&path, &bytes[..5000]).unwrap();
    assert!(
        of(&path).starts_with(&format!(
            "5000 of {} bytes: the end is missing;",
            bytes.len()
        )),
        "{}",
        of(&path)
    );
    std::fs::write(&path, &bytes[..20]).unwrap();
    assert!(RecordingFile::open(&path).is_err());
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(&whole, std::fs::Permissions::from_mode(0o000)).unwrap();
        // The superuser may read it nevertheless.
        if std::fs::File::open(&whole).is_err() {
            assert!(of(&whole).starts_with("no permission to read it;"));
        }
    }
}

#[test]
fn a_file_that_changes_after_the_check_is_not_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", plain);
    let recording = RecordingFile::open(&path).unwrap();
    let header = recording
        .channel("detector", &Channel::default(), None)
        .unwrap();
    file(folder.path(), "a.h5", |f| {
        drop(
            f.new_dataset::<f64>()
                .shape([50_000])
                .create("detector")
                .unwrap()
                .write_raw(&vec![1.0; 50_000]),
        )
    });
    let message = recording.reader(&header).err().unwrap().to_string();
    assert!(
        message.contains("found that it changed since it was first looked at"),
        "{message}"
    );
}

#[test]
fn contents_list_every_dataset_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", |f| {
        text(f, "title", "two\nlines");
        let inner = f.create_group("g/inner").unwrap();
        let data = inner
            .new_dataset::<i32>()
            .chunk([1, 3])
            .shuffle()
            .deflate(4)
            .shape([2, 6])
            .create("x")
            .unwrap();
        drop(
            data.new_attr_builder()
                .with_data(&[1.5, 2.5])
                .create("pair")
                .unwrap(),
        );
        let names: Vec<VarLenUnicode> = vec!["a".parse().unwrap(), "b".parse().unwrap()];
        drop(
            data.new_attr_builder()
                .with_data(&names)
                .create("names")
                .unwrap(),
        );
        // Circles of hard and soft links, a link to nowhere, and a second name of a dataset.
        f.link_hard("/g", "/g/inner/up").unwrap();
        f.link_soft("/g", "/g/inner/soft").unwrap();
        f.link_soft("/nowhere", "/lost").unwrap();
        f.link_external("missing.h5", "/x", "/outside").unwrap();
        f.link_soft("/g/inner/x", "/alias").unwrap();
    });
    let found = FileContents::of(&path).unwrap();
    assert_eq!(found.attributes[0].text, "two\nlines");
    let paths: Vec<&str> = found.datasets.iter().map(|d| d.path.as_str()).collect();
    assert_eq!(paths, ["/alias", "/g/inner/x"]);
    let data = &found.datasets[1];
    assert_eq!(
        (data.stored.as_str(), data.layout.as_str()),
        ("int32 little-endian", "chunks 1 x 3, shuffle, deflate 4")
    );
    assert_eq!(data.shape, [2, 6]);
    let attributes: Vec<String> = data
        .attributes
        .iter()
        .map(|a| format!("{} {}", a.name, a.text))
        .collect();
    assert_eq!(attributes, ["names [a, b]", "pair [1.5, 2.5]"]);
    assert!(!found.more);
}

#[test]
fn virtual_datasets_need_their_sources() {
    let folder = tempfile::tempdir().unwrap();
    file(folder.path(), "source.h5", |f| {
        drop(array(f, "x", &[4], &[1i16, 2, 3, 4]))
    });
    let path = file(folder.path(), "a.h5", |f| {
        let builder = f
            .new_dataset::<i16>()
            .virtual_map("source.h5", "x", 4, .., 4, ..);
        builder.shape(4).create("detector").unwrap();
    });
    let channel = Channel {
        rate: Some(RateOrigin::Stated(1.0)),
        ..Channel::default()
    };
    let recording = RecordingFile::open(&path).unwrap();
    let header = recording.channel("detector", &channel, None).unwrap();
    assert_eq!(
        super::read(&path, &header, 0, 4).values(),
        [1.0, 2.0, 3.0, 4.0]
    );
    std::fs::remove_file(folder.path().join("source.h5")).unwrap();
    let message = recording
        .channel("detector", &channel, None)
        .unwrap_err()
        .to_string();
    assert!(
        message.contains("found a virtual dataset without its source `source.h5`"),
        "{message}"
    );
}

#[cfg(target_os = "linux")]
#[test]
fn paths_that_are_not_text_are_told_apart() {
    use std::os::unix::ffi::OsStrExt;
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), "a.h5", plain);
    let odd = folder.path().join(std::ffi::OsStr::from_bytes(b"\xff.h5"));
    std::fs::rename(path, &odd).unwrap();
    assert!(
        RecordingFile::open(&odd)
            .unwrap_err()
            .to_string()
            .contains("found a path that is not UTF-8; rename it")
    );
}

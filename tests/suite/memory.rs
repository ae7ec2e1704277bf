//! Memory is bounded by the plan, not by the length of a recording.

#![cfg(target_os = "linux")]

use crate::support::{attribute, command};

/// Filters, decimates, averages; and keeps the decimated samples.
const RECIPE: &str = r#"Recipe(
    title: "a long record",
    inputs: { "x": Wave(unit: "V") },
    stages: {
        "smooth": Filter(of: "x", kind: RcCascade(poles: 2, time_constant: "10 ms")),
        "slow": Decimate(of: "smooth", to: "1 kHz"),
        "level": Average(of: "slow", over: Blocks("1 s")),
    },
    results: ["level", "slow"],
)
"#;

/// Largest resident size that a run may reach, in bytes, whatever it reads.
const MOST: u64 = 300 << 20;

/// 300 MB whose samples as doubles would be 1.2 GB; sparse, since no sample is written.
#[test]
fn long_recordings_need_little_memory() {
    for shape in [&[150_000_000usize][..], &[64, 2_343_750]] {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("recipe.ron"), RECIPE).unwrap();
        long_recording(&folder.path().join("a.h5"), shape);
        let mut run = command(folder.path());
        run.args(["run", "recipe.ron", "a.h5", "--out", "out.h5", "--quiet"]);
        let mut child = run.args(["--threads", "8"]).spawn().unwrap();
        let mut peak = 0;
        let status = loop {
            peak = peak.max(resident(child.id()).unwrap_or(0));
            match child.try_wait().unwrap() {
                Some(status) => break status,
                None => std::thread::sleep(std::time::Duration::from_millis(5)),
            }
        };
        assert!(status.success(), "{status}");
        assert!(peak > 1 << 20, "the peak could not be read");
        assert!(peak <= MOST, "{} MiB for {shape:?}", peak >> 20);
    }
}

fn long_recording(path: &std::path::Path, shape: &[usize]) {
    let file = crate::support::create(path);
    attribute(&file, "sample_rate", 1e6);
    let samples = file.new_dataset::<i16>().shape(shape);
    let dataset = samples.create("x").unwrap();
    crate::support::text_attribute(&dataset, "units", "V");
}

/// Peak of the resident size of a process so far, in bytes (`VmHWM`, proc(5)).
fn resident(process: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    let kib: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(kib << 10)
}

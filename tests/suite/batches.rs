//! Many recordings in one run, some of which are not like the others.

use crate::support::{Channel, Layout, MEAN, folder, noise, phasemill, record, tabled};

/// What fell out is listed in the end, a line each, with the reason and what to do, and counted.
#[test]
fn what_fell_out_of_a_batch_is_listed_with_its_reason() {
    let folder = folder(MEAN);
    let at = folder.path();
    let samples = noise(1000, 0.5, 7);
    for (name, dataset, length) in [
        ("a.h5", "/x", 1000),
        ("b.h5", "/x", 1000),
        ("c.h5", "/photodiode", 1000),
        ("d.h5", "/x", 50),
    ] {
        let channel = Channel::volts(dataset, &samples[..length]);
        record(&at.join(name), 1000.0, Layout::Contiguous, &[channel]);
    }
    let run = [
        "run",
        "recipe.ron",
        "a.h5",
        "c.h5",
        "d.h5",
        "b.h5",
        "--out",
        "out.h5",
    ];
    let outcome = phasemill(at, &run).expect(2);
    let list = "2 of 4 recordings fell out:\n  `c`: expected a dataset, found none of this name, in `/x` of c.h5; there are \
                `/photodiode`; name it with `dataset` in the wiring of `x`\n  `d`: expected at least 2 blocks in the 50 ms \
                after settling, found 0, in recording d.h5: `/x` 1000 Hz, 50 samples; choose shorter blocks, or record longer \
                points\n2 of 4 recordings, 2 points, ";
    assert!(outcome.out.contains(list), "{}", outcome.out);
    // The same on record.
    phasemill(at, &["catalogue", "add", "out.h5"]).expect(0);
    let listed = phasemill(at, &["catalogue", "list"]).expect(0).out;
    let told = "left out `c`: expected a dataset, found none of this name, in `/x` of c.h5";
    assert!(listed.contains(told), "{listed}");
}

/// A probability, the end of an interval and a number of things have no uncertainty: neither is that said to be missing nor
/// do tables have columns for it.
#[test]
fn what_has_no_uncertainty_is_not_said_to_lack_one() {
    let folder = crate::lineage::bench();
    let at = folder.path();
    let recipe = std::fs::read_to_string(at.join("recipe.ron")).unwrap();
    let recipe = recipe.replace(
        r#"results: ["current", "smooth"]"#,
        r#"results: ["polar", "clock.missing", "clock.jitter"]"#,
    );
    let recipe = recipe.replace("stages: {", r#"stages: { "polar": Polar(of: "current"),"#);
    std::fs::write(at.join("recipe.ron"), recipe).unwrap();
    let (_, table) = tabled(at, "rec.h5", 0);
    let header = table.lines().next().unwrap();
    for column in [
        "polar.amplitude.u [",
        "polar.p [1]",
        "polar.low [",
        "clock.missing [1]",
        "clock.jitter [deg]",
    ] {
        assert!(header.contains(column), "expected {column} in {header}");
    }
    for column in [
        "polar.p.",
        "polar.low.",
        "clock.missing.",
        "clock.jitter.u",
        "clock.jitter.low",
    ] {
        assert!(!header.contains(column), "expected no {column} in {header}");
    }
    // Remarks come last, in quotes.
    let cells = |line: &str| line.split('"').next().unwrap().split(',').count();
    assert!(
        table.lines().all(|line| cells(line) == cells(header)),
        "{table}"
    );
    let told = phasemill(at, &["trace", "out.h5", "polar.p[1]"])
        .expect(0)
        .out;
    assert!(!told.contains("not evaluated"), "{told}");
    let told = phasemill(at, &["trace", "out.h5", "clock.jitter[1]"])
        .expect(0)
        .out;
    assert!(told.contains("not evaluated"), "{told}");
}

/// Recordings named after the time of day, and with what looks like the number of a point.
#[cfg(unix)]
#[test]
fn entries_with_colons_and_brackets_in_their_names_are_found() {
    let folder = folder(MEAN);
    let at = folder.path();
    let samples = noise(1000, 0.5, 7);
    let names = ["10", "10:30", "b[1]"];
    let mut run = vec!["run", "recipe.ron", "--out", "out.h5"];
    let files = names.map(|name| format!("{name}.h5"));
    for file in &files {
        let channel = Channel::volts("/x", &samples);
        record(&at.join(file), 1000.0, Layout::Contiguous, &[channel]);
        run.push(file);
    }
    phasemill(at, &run).expect(0);
    for name in names {
        for text in [format!("{name}:level"), format!("{name}:level[0]")] {
            let story = phasemill(at, &["trace", "out.h5", &text]).expect(0).out;
            assert!(
                story.contains(&format!("\n{name}: mean level\n")),
                "{story}"
            );
            assert_eq!(story.matches("mean level").count(), 1, "{story}");
        }
    }
    let story = phasemill(at, &["trace", "out.h5", "level[0]"])
        .expect(0)
        .out;
    assert_eq!(story.matches("mean level").count(), 3, "{story}");
}

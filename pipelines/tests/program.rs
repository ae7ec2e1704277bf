//! The program starts. Having this check, `cargo test` also builds the program, which the checks from
//! outside run.

#![allow(clippy::unwrap_used, reason = "a check may panic")]

#[test]
fn it_knows_its_version() {
    let mut program = std::process::Command::new(env!("CARGO_BIN_EXE_phasemill"));
    let output = program.arg("--version").output().unwrap();
    assert!(output.status.success());
    let version = concat!("phasemill ", env!("CARGO_PKG_VERSION"), "\n");
    assert_eq!(String::from_utf8_lossy(&output.stdout), version);
}

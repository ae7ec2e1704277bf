//! The phasemill engine: recipe text to checked plan to results with lineage. Knows no particular stage.

#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::print_stderr,
        clippy::print_stdout
    )
)]

pub mod aspect;
pub mod bench;
pub mod cache;
mod cautions;
pub mod challenge;
pub mod check;
mod companions;
pub mod compare;
pub mod constant;
pub mod diagnostic;
pub mod differ;
pub mod expect;
pub mod explain;
pub mod export;
pub mod flow;
mod fuse;
pub mod graph;
pub mod handbook;
pub mod index;
pub mod joint;
pub mod lineage;
pub mod look;
pub mod plan;
pub mod recipe;
pub mod recordings;
pub mod report;
pub mod rerun;
pub mod response;
pub mod results;
pub mod run;
pub mod saved;
pub mod session;
pub mod stage;
pub mod statistics;
pub mod store;
pub mod table;
pub mod testing;
pub mod text;
pub mod units;
pub mod value;
pub mod verify;

//! Checks from outside, as one program: the project as its users and its developers meet it.

mod support;

mod cases;
mod cli;
mod determinism;
mod faults;
mod memory;
mod registry;
mod robustness;
mod tidy;

//! `phasemill explain`: what the code of a message means, with an example and its cure.

use phasemill_engine::diagnostic::{Code, listed, nearest};
use phasemill_engine::explain::Page;

use super::{complain, say};
use crate::exit;

/// Arguments of `explain`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The code in brackets in front of a message; all are listed without it
    code: Option<String>,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let Some(wanted) = &arguments.code else {
        for code in Code::ALL {
            say(format!("{:<16} {}", code.text(), code.meaning()));
        }
        return exit::DONE;
    };
    match Code::ALL.iter().find(|c| c.text() == wanted) {
        Some(code) => {
            say(Page::of(*code)
                .render(&phasemill_stages::REGISTRY)
                .trim_end());
            exit::DONE
        }
        None => {
            let codes = || Code::ALL.iter().map(|c| c.text());
            let help = nearest(wanted, codes()).map_or_else(
                || format!("expected one of {}", listed(codes())),
                |n| format!("did you mean `{n}`?"),
            );
            complain(format!("error: unknown code `{wanted}`; {help}"));
            exit::REJECTED
        }
    }
}

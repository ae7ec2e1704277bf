//! The pages of `phasemill explain`: what they show is what is found.

use phasemill_engine::diagnostic::Code;
use phasemill_engine::explain::{Page, diagnose};
use phasemill_stages::REGISTRY;

#[test]
fn every_page_has_its_fault_and_its_cure() {
    let mut wrong = Vec::new();
    for code in Code::ALL {
        let page = Page::of(*code);
        let found = diagnose(&page.faulty, &REGISTRY);
        // An example shows its fault and no other.
        if found.is_empty() || found.iter().any(|d| d.code != *code) {
            wrong.push(format!("{code}: the example gives\n{found}"));
        }
        let left = diagnose(&page.cured, &REGISTRY);
        if !left.is_empty() {
            wrong.push(format!("{code}: the cure leaves\n{left}"));
        }
        if page.prose.len() < 80 {
            wrong.push(format!("{code}: hardly anything is said: {}", page.prose));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

#[test]
fn a_page_shows_the_message_itself() {
    let shown = Page::of(Code::Cycle).render(&REGISTRY);
    let found = diagnose(&Page::of(Code::Cycle).faulty, &REGISTRY);
    let message = &found.iter().next().expect("a fault").message;
    assert!(shown.contains(message.as_str()), "{shown}");
}

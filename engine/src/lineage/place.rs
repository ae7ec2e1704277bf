//! Where one file lies as seen from another.

use std::path::{Component, Path};

/// The path of `file` from the folder in which `from` lies or will lie, with `/` between names; `None`
/// where there is none, as between disks.
pub fn relative(from: &Path, file: &Path) -> Option<String> {
    let folder = from.parent().filter(|p| !p.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new(".")).canonicalize().ok()?;
    let file = file.canonicalize().ok()?;
    let (mut here, mut there) = (folder.components().peekable(), file.components().peekable());
    if here.peek() != there.peek() {
        return None;
    }
    while here.peek().is_some() && here.peek() == there.peek() {
        here.next();
        there.next();
    }
    let mut names: Vec<String> = here.map(|_| "..".to_owned()).collect();
    for component in there {
        match component {
            Component::Normal(name) => names.push(name.to_str()?.to_owned()),
            _ => return None,
        }
    }
    Some(names.join("/"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_neighbour_a_child_and_a_cousin() {
        let folder = tempfile::tempdir().unwrap();
        let at = |path: &str| folder.path().join(path);
        std::fs::create_dir_all(at("a/b")).unwrap();
        for file in ["a/x.h5", "a/b/y.h5", "z.h5"] {
            std::fs::write(at(file), "").unwrap();
        }
        // The result file itself need not exist yet.
        let from = at("a/out.h5");
        assert_eq!(relative(&from, &at("a/x.h5")).as_deref(), Some("x.h5"));
        assert_eq!(relative(&from, &at("a/b/y.h5")).as_deref(), Some("b/y.h5"));
        assert_eq!(relative(&from, &at("z.h5")).as_deref(), Some("../z.h5"));
        assert_eq!(relative(&from, &at("none.h5")), None);
    }
}

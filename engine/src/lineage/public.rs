//! A record without what is nobody else's business: who ran it, and where files lay.

use super::Lineage;

impl Lineage {
    /// The paths on record that have folders. A longer one goes first, since a shorter one may be a part of it.
    pub fn paths(&self) -> Vec<String> {
        let mut paths: Vec<String> = vec![self.recipe.clone(), self.wiring.clone()];
        let files = self.entries.iter().flat_map(|e| &e.recordings);
        for file in files.flat_map(|r| &r.files) {
            paths.extend([file.path.clone(), file.beside.clone()]);
        }
        let left_out = self.left_out.iter().flat_map(|l| &l.files);
        paths.extend(left_out.cloned());
        paths.retain(|p| file_name(p) != p.as_str());
        paths.sort_by_key(|p| std::cmp::Reverse(p.len()));
        paths.dedup();
        paths
    }

    /// The record without the user's name and with files by their names alone, also in messages.
    pub fn public(&self) -> Lineage {
        let mut public = self.clone();
        public.operator = None;
        let paths = self.paths();
        let clean = |text: &mut String| {
            for path in &paths {
                if text.contains(path.as_str()) {
                    *text = text.replace(path.as_str(), file_name(path));
                }
            }
        };
        for text in [&mut public.recipe, &mut public.wiring] {
            *text = file_name(text).to_owned();
        }
        for left_out in &mut public.left_out {
            left_out.why.iter_mut().for_each(clean);
            let name = |file: &mut String| *file = file_name(file).to_owned();
            left_out.files.iter_mut().for_each(name);
        }
        for entry in &mut public.entries {
            for file in entry.recordings.iter_mut().flat_map(|r| &mut r.files) {
                file.path = file_name(&file.path).to_owned();
                file.beside = String::new();
            }
            entry.failures.iter_mut().for_each(clean);
            entry.remarks.iter_mut().for_each(clean);
            entry.checks.iter_mut().for_each(|c| clean(&mut c.message));
        }
        public
    }
}

/// The last name of a path of any system.
pub fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

#[cfg(test)]
mod tests {
    use super::super::{Entry, LeftOut, RecordedFile, Recording};
    use super::*;

    #[test]
    fn nothing_says_who_or_where() {
        let file = RecordedFile {
            path: "/lab/jo/a.h5".into(),
            beside: "../../jo/a.h5".into(),
            ..RecordedFile::default()
        };
        let entry = Entry {
            recordings: vec![Recording {
                files: vec![file],
                ..Recording::default()
            }],
            failures: vec!["point 1: /lab/jo/a.h5: cannot be read".into()],
            ..Entry::default()
        };
        let lineage = Lineage {
            operator: Some("jo".into()),
            recipe: "D:\\lab\\jo\\my.ron".into(),
            entries: vec![entry],
            left_out: vec![LeftOut {
                name: "c".into(),
                files: vec!["/lab/jo/c.h5".into()],
                why: vec!["/lab/jo/c.h5: cannot be read".into()],
            }],
            ..Lineage::default()
        };
        let public = lineage.public();
        assert!(!format!("{public:?}").contains("jo"), "{public:?}");
        assert_eq!(public.recipe, "my.ron");
        assert_eq!(
            public.entries[0].failures,
            ["point 1: a.h5: cannot be read"]
        );
    }
}

//! The program's own source files, for tests that read them.

use std::path::{Path, PathBuf};

/// Name below `src` (with forward slashes) and text of every source file.
pub fn sources() -> Vec<(String, String)> {
    fn walk(dir: &Path, into: &mut Vec<PathBuf>) {
        for entry in std::fs::read_dir(dir).unwrap().flatten() {
            let path = entry.path();
            if path.is_dir() {
                walk(&path, into);
            } else if path.extension().is_some_and(|e| e == "rs") {
                into.push(path);
            }
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    walk(&root, &mut files);
    let named = files.into_iter().map(|f| {
        let name = f.strip_prefix(&root).unwrap().to_string_lossy().replace('\\', "/");
        (name, std::fs::read_to_string(&f).unwrap())
    });
    named.collect()
}

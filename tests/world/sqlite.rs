//! `SQLite` files for tests, copied from a template that was migrated once.

use drykeep::store::{DatabaseUrl, Store};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use tempfile::TempDir;

/// A migrated file in a directory that goes with it.
pub(crate) struct OwnFile {
    path: PathBuf,
    _directory: TempDir,
}

impl OwnFile {
    pub(super) fn new() -> Self {
        Self::copy_of(template())
    }

    /// A copy of a file that nobody writes to.
    pub(super) fn copy_of(file: &Path) -> Self {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("drykeep.db");
        std::fs::copy(file, &path).unwrap();
        Self { path, _directory: directory }
    }

    /// A copy of what is in another.
    pub(super) fn holding(other: &mut super::Raw) -> Self {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("drykeep.db");
        other.run(&format!("VACUUM INTO '{}'", path.display())).unwrap();
        Self { path, _directory: directory }
    }

    /// Where it is.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }
}

/// The migrated file. It stays for later runs and is put in place whole, so that
/// runs side by side never see half of one.
fn template() -> &'static Path {
    static TEMPLATE: OnceLock<PathBuf> = OnceLock::new();
    TEMPLATE.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
        let template = folder.join(format!("template-{}.db", super::fingerprint("sqlite")));
        if !template.exists() {
            let scratch = tempfile::tempdir_in(folder).unwrap();
            let fresh = scratch.path().join("fresh.db");
            // The last connection to close folds the write-ahead log into the file.
            Store::open(&DatabaseUrl::Sqlite(fresh.clone())).unwrap().close();
            assert!(!fresh.with_extension("db-wal").exists(), "the template is in one file");
            std::fs::rename(fresh, &template).unwrap();
        }
        template
    })
}

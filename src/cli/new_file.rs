//! A file that appears under its name only when it is whole and on the disk, in
//! the place of no other, readable by its owner only.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Error, ErrorKind};
use std::path::{Path, PathBuf};

/// A file being made.
#[derive(Debug)]
pub(super) struct NewFile {
    target: PathBuf,
    making: PathBuf,
    file: File,
}

impl NewFile {
    /// Begins one beside the name it is to get.
    pub(super) fn create(target: &Path) -> io::Result<Self> {
        let taken = || Error::new(ErrorKind::AlreadyExists, "there is something already; it is left alone");
        if target.symlink_metadata().is_ok() {
            return Err(taken());
        }
        let name =
            target.file_name().ok_or_else(|| Error::new(ErrorKind::InvalidInput, "it names no file"))?;
        let mut hidden = std::ffi::OsString::from(".");
        hidden.push(name);
        hidden.push(format!(".{}.partial", std::process::id()));
        let making = target.with_file_name(hidden);
        let mut options = OpenOptions::new();
        options.read(true).write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let file = options.open(&making)?;
        Ok(Self { target: target.to_owned(), making, file })
    }

    /// Where it is until it is whole.
    pub(super) fn making(&self) -> &Path {
        &self.making
    }

    /// To be written to.
    pub(super) fn file(&mut self) -> &mut File {
        &mut self.file
    }

    /// Gives it its name. A link, unlike a new name, never takes another's place;
    /// where the file system has no links, the name is looked at once more.
    pub(super) fn finish(self) -> io::Result<()> {
        self.file.sync_all()?;
        match fs::hard_link(&self.making, &self.target) {
            Err(error)
                if error.kind() != ErrorKind::AlreadyExists && self.target.symlink_metadata().is_err() =>
            {
                tracing::debug!(%error, "no links here");
                fs::rename(&self.making, &self.target)?;
            }
            linked => linked?,
        }
        let folder = self.target.parent().filter(|folder| !folder.as_os_str().is_empty());
        File::open(folder.unwrap_or(Path::new(".")))?.sync_all()
    }
}

impl Drop for NewFile {
    /// Removes what is left under the passing name.
    fn drop(&mut self) {
        drop(fs::remove_file(&self.making));
    }
}

#[cfg(test)]
mod tests {
    use super::NewFile;
    use std::io::{ErrorKind, Write as _};

    #[test]
    fn a_file_appears_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("copy");
        let mut given_up = NewFile::create(&target).unwrap();
        given_up.file().write_all(b"half").unwrap();
        assert!(!target.exists());
        drop(given_up);
        assert_eq!(folder.path().read_dir().unwrap().count(), 0);
        let mut whole = NewFile::create(&target).unwrap();
        whole.file().write_all(b"whole").unwrap();
        whole.finish().unwrap();
        assert_eq!(std::fs::read(&target).unwrap(), b"whole");
        assert_eq!(folder.path().read_dir().unwrap().count(), 1);
    }

    #[test]
    fn nothing_is_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("copy");
        let mut late = NewFile::create(&target).unwrap();
        late.file().write_all(b"late").unwrap();
        std::fs::write(&target, b"first").unwrap();
        assert_eq!(NewFile::create(&target).unwrap_err().kind(), ErrorKind::AlreadyExists);
        assert_eq!(late.finish().unwrap_err().kind(), ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read(&target).unwrap(), b"first");
    }
}

//! What the recorder asks of a disk, and the real one.
//!
//! Owns the folder and the one part that is open. What is trusted: bytes are safe once [`Disk::sync`] returned well, a
//! name once [`Disk::sync_folder`] did. Nothing is trusted of bytes behind the last sync, nor of a file whose write or
//! sync failed even once: the system may have thrown the bytes away and forgotten that it did.

use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

/// A folder to record into, with at most one part open. A test puts another in its place that fails and loses power.
pub trait Disk: Send {
    /// Makes the folder where it is not there yet, so that it stays there.
    fn prepare(&mut self) -> io::Result<()>;
    /// The names in the folder, in any order.
    fn names(&mut self) -> io::Result<Vec<OsString>>;
    /// Creates the file `name`, which must not be there in any form, and makes it the open part.
    fn create(&mut self, name: &str) -> io::Result<()>;
    /// Makes the names in the folder safe.
    fn sync_folder(&mut self) -> io::Result<()>;
    /// Appends to the open part. After an error any beginning of `bytes` may have been written.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Makes what was appended safe.
    fn sync(&mut self) -> io::Result<()>;
    /// Closes the open part, if there is one.
    fn close(&mut self);
    /// Removes the file `name`, which this recorder created and which holds nothing safe.
    fn remove(&mut self, name: &str) -> io::Result<()>;
}

/// A folder of the file system.
#[derive(Debug)]
pub struct Folder {
    path: PathBuf,
    open: Option<File>,
}

impl Folder {
    /// The folder at `path`, which need not be there yet.
    pub fn new(path: PathBuf) -> Self {
        Self { path, open: None }
    }

    fn file(&mut self) -> io::Result<&mut File> {
        self.open.as_mut().ok_or_else(|| io::Error::from(io::ErrorKind::NotConnected))
    }
}

impl Disk for Folder {
    fn prepare(&mut self) -> io::Result<()> {
        let missing: Vec<&Path> = self.path.ancestors().take_while(|path| !path.exists()).collect();
        if missing.is_empty() {
            return Ok(());
        }
        fs::DirBuilder::new().recursive(true).mode(0o750).create(&self.path)?;
        // A new folder is safe once the one that it stands in is.
        for path in missing {
            let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
            File::open(parent)?.sync_all()?;
        }
        Ok(())
    }

    fn names(&mut self) -> io::Result<Vec<OsString>> {
        fs::read_dir(&self.path)?.map(|entry| Ok(entry?.file_name())).collect()
    }

    fn create(&mut self, name: &str) -> io::Result<()> {
        self.open = None;
        let mut options = OpenOptions::new();
        // O_EXCL follows no link and overwrites nothing, whatever stands there.
        options.append(true).create_new(true).mode(0o640);
        self.open = Some(options.open(self.path.join(name))?);
        Ok(())
    }

    fn sync_folder(&mut self) -> io::Result<()> {
        File::open(&self.path)?.sync_all()
    }

    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.file()?.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file()?.sync_data()
    }

    fn close(&mut self) {
        self.open = None;
    }

    fn remove(&mut self, name: &str) -> io::Result<()> {
        fs::remove_file(self.path.join(name))
    }
}

/// Where recordings go when the config names no folder: `recordings` in the user's data folder, by the XDG base
/// directory specification. `None` where neither `XDG_DATA_HOME` nor `HOME` says where that is.
pub fn default_folder() -> Option<PathBuf> {
    folder_under(std::env::var_os("XDG_DATA_HOME"), std::env::var_os("HOME"))
}

fn folder_under(data: Option<OsString>, home: Option<OsString>) -> Option<PathBuf> {
    // That specification: a relative path is to be taken as not set.
    let absolute = |path: Option<OsString>| path.map(PathBuf::from).filter(|path| path.is_absolute());
    let data = absolute(data).or_else(|| Some(absolute(home)?.join(".local/share")))?;
    Some(data.join("kickpanel/recordings"))
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::data(Some("/data"), Some("/home/me"), Some("/data/kickpanel/recordings"))]
    #[case::home(None, Some("/home/me"), Some("/home/me/.local/share/kickpanel/recordings"))]
    #[case::relative_data(Some("data"), Some("/home/me"), Some("/home/me/.local/share/kickpanel/recordings"))]
    #[case::empty_data(Some(""), Some("/home/me"), Some("/home/me/.local/share/kickpanel/recordings"))]
    #[case::nowhere(None, None, None)]
    fn recordings_go_to_the_data_folder(
        #[case] data: Option<&str>,
        #[case] home: Option<&str>,
        #[case] expected: Option<&str>,
    ) {
        let folder = folder_under(data.map(OsString::from), home.map(OsString::from));
        assert_eq!(folder, expected.map(PathBuf::from));
    }
}

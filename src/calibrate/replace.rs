//! A file replaced so that at every instant there is the old one or the new one, whole.
//!
//! Owns the order of steps: a new file beside the old one, its rights, its bytes on the disk; then the old one gets a
//! second name, which is the copy; then the new one takes the first name. Trusts the disk to keep what was synced, to
//! rename in one stroke, and to do nothing else of itself. What a folder is, [`Folder`] says; the real one is here too.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::os::unix::fs::{MetadataExt as _, OpenOptionsExt as _, PermissionsExt as _, chown};
use std::path::{Path, PathBuf};

/// What the steps need of a folder. Names are names in it.
pub trait Folder {
    /// A new, empty file that nobody else may read; fails where the name is taken.
    fn create(&mut self, name: &str) -> io::Result<()>;
    /// Puts `bytes` behind what it holds.
    fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()>;
    /// Gives `name` the owner and the rights of `like`.
    fn dress(&mut self, name: &str, like: &str) -> io::Result<()>;
    /// Returns when the file's bytes are on the disk.
    fn sync(&mut self, name: &str) -> io::Result<()>;
    /// What it holds.
    fn read(&mut self, name: &str) -> io::Result<Vec<u8>>;
    /// A second name for the same file; fails where the name is taken, or where the disk has no such thing.
    fn link(&mut self, name: &str, second: &str) -> io::Result<()>;
    /// Takes the name away.
    fn remove(&mut self, name: &str) -> io::Result<()>;
    /// `name` takes the place of `over` in one stroke.
    fn rename(&mut self, name: &str, over: &str) -> io::Result<()>;
    /// Returns when the folder's names are on the disk.
    fn sync_folder(&mut self) -> io::Result<()>;
}

/// It is done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Replaced {
    /// The name of the copy of the old one.
    pub copy: String,
}

/// Why the file is still the old one.
#[derive(Debug)]
pub enum Unwritten {
    /// It is not what it was when it was read.
    Changed,
    /// Its owner or rights cannot be kept.
    Rights(io::Error),
    /// A step failed.
    Failed(io::Error),
}

/// The most copies of one day.
const COPIES: usize = 1000;

/// Makes `new` of the file `name`, which must hold `old`, and keeps the old one under `name` with `date` behind it; no
/// copy ever takes the place of another.
pub fn replace(
    folder: &mut impl Folder,
    name: &str,
    old: &[u8],
    new: &[u8],
    date: &str,
) -> Result<Replaced, Unwritten> {
    let fresh = format!(".{name}.new");
    // One that was ended in the middle left it.
    if let Err(error) = folder.remove(&fresh)
        && error.kind() != io::ErrorKind::NotFound
    {
        return Err(Unwritten::Failed(error));
    }
    let done = prepare(folder, name, &fresh, old, new).and_then(|()| {
        let copy = keep(folder, name, old, date)?;
        folder.sync_folder().map_err(Unwritten::Failed)?;
        folder.rename(&fresh, name).map_err(Unwritten::Failed)?;
        Ok(copy)
    });
    match done {
        Ok(copy) => {
            // The new one is in force; that its name outlives a power cut at this very moment is all that is open.
            let _ = folder.sync_folder();
            Ok(Replaced { copy })
        }
        Err(error) => {
            // What is left of it is in nobody's way, should this fail too.
            let _ = folder.remove(&fresh);
            Err(error)
        }
    }
}

/// The new file, whole and on the disk, under its first name.
fn prepare(folder: &mut impl Folder, name: &str, fresh: &str, old: &[u8], new: &[u8]) -> Result<(), Unwritten> {
    folder.create(fresh).map_err(Unwritten::Failed)?;
    folder.append(fresh, new).map_err(Unwritten::Failed)?;
    folder.dress(fresh, name).map_err(Unwritten::Rights)?;
    folder.sync(fresh).map_err(Unwritten::Failed)?;
    if folder.read(name).map_err(Unwritten::Failed)? == old { Ok(()) } else { Err(Unwritten::Changed) }
}

/// The copy: a second name for the old file, or its bytes where the disk has no second names.
fn keep(folder: &mut impl Folder, name: &str, old: &[u8], date: &str) -> Result<String, Unwritten> {
    for number in 1..=COPIES {
        let copy = if number == 1 { format!("{name}.{date}") } else { format!("{name}.{date}-{number}") };
        match folder.link(name, &copy) {
            Ok(()) => return Ok(copy),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(_) => match folder.create(&copy) {
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(Unwritten::Failed(error)),
                Ok(()) => {
                    folder.append(&copy, old).map_err(Unwritten::Failed)?;
                    // A copy for the same user alone is better than none.
                    let _ = folder.dress(&copy, name);
                    folder.sync(&copy).map_err(Unwritten::Failed)?;
                    return Ok(copy);
                }
            },
        }
    }
    Err(Unwritten::Failed(io::Error::new(io::ErrorKind::AlreadyExists, "there are a thousand copies of today")))
}

/// The folder and the name of what `path` leads to, links followed to their end.
pub fn folder_of(path: &Path) -> io::Result<(impl Folder, String)> {
    let whole = fs::canonicalize(path)?;
    let name = whole.file_name().and_then(|name| name.to_str()).map(str::to_owned);
    match (whole.parent(), name) {
        (Some(folder), Some(name)) => Ok((Real { folder: folder.to_owned() }, name)),
        _ => Err(io::Error::new(io::ErrorKind::InvalidInput, "its name is not UTF-8 text")),
    }
}

struct Real {
    folder: PathBuf,
}

impl Real {
    fn at(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }
}

impl Folder for Real {
    fn create(&mut self, name: &str) -> io::Result<()> {
        OpenOptions::new().write(true).create_new(true).mode(0o600).open(self.at(name)).map(drop)
    }

    fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        OpenOptions::new().append(true).open(self.at(name))?.write_all(bytes)
    }

    fn dress(&mut self, name: &str, like: &str) -> io::Result<()> {
        let (own, like) = (fs::metadata(self.at(name))?, fs::metadata(self.at(like))?);
        if (own.uid(), own.gid()) != (like.uid(), like.gid()) {
            chown(self.at(name), Some(like.uid()), Some(like.gid()))?;
        }
        fs::set_permissions(self.at(name), fs::Permissions::from_mode(like.mode() & 0o7777))
    }

    fn sync(&mut self, name: &str) -> io::Result<()> {
        File::open(self.at(name))?.sync_all()
    }

    fn read(&mut self, name: &str) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        File::open(self.at(name))?.read_to_end(&mut bytes)?;
        Ok(bytes)
    }

    fn link(&mut self, name: &str, second: &str) -> io::Result<()> {
        fs::hard_link(self.at(name), self.at(second))
    }

    fn remove(&mut self, name: &str) -> io::Result<()> {
        fs::remove_file(self.at(name))
    }

    fn rename(&mut self, name: &str, over: &str) -> io::Result<()> {
        fs::rename(self.at(name), self.at(over))
    }

    fn sync_folder(&mut self) -> io::Result<()> {
        File::open(&self.folder)?.sync_all()
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

    /// A disk in memory: what was written, what of it is safe, and a power cut or the program's end at any step.
    #[derive(Clone, Default)]
    struct Double {
        /// Bytes of each file, and those that are safe.
        files: Vec<(Vec<u8>, Vec<u8>)>,
        names: BTreeMap<String, usize>,
        /// Changes of names that are not safe yet; `None` takes one away.
        pending: Vec<(String, Option<usize>)>,
        safe: BTreeMap<String, usize>,
        steps_left: usize,
        second_names: bool,
        /// Every state that the disk was in, one for each step and one for the middle of each write.
        seen: Vec<Double>,
    }

    const OLD: &[u8] = b"the old text";
    const NEW: &[u8] = b"the new text, longer";

    impl Double {
        fn new(second_names: bool) -> Self {
            let name = BTreeMap::from([("k.toml".to_owned(), 0)]);
            let files = vec![(OLD.to_vec(), OLD.to_vec())];
            Self { files, names: name.clone(), safe: name, steps_left: usize::MAX, second_names, ..Self::default() }
        }

        fn step(&mut self) -> io::Result<()> {
            let mut now = self.clone();
            now.seen.clear();
            self.seen.push(now);
            self.steps_left = self.steps_left.checked_sub(1).ok_or_else(|| io::Error::other("ended here"))?;
            Ok(())
        }

        fn name(&mut self, name: &str, file: Option<usize>) {
            match file {
                Some(file) => self.names.insert(name.to_owned(), file),
                None => self.names.remove(name),
            };
            self.pending.push((name.to_owned(), file));
        }

        fn find(&self, name: &str) -> io::Result<usize> {
            self.names.get(name).copied().ok_or_else(|| io::ErrorKind::NotFound.into())
        }

        /// What the file may hold after the power went: any part of the changes of names, and of each file either what is
        /// safe, all that was written, or half of it.
        fn after_a_cut(&self) -> Vec<Vec<u8>> {
            let mut found = Vec::new();
            for chosen in 0..1_usize << self.pending.len() {
                let mut names = self.safe.clone();
                for (place, (name, file)) in self.pending.iter().enumerate() {
                    if chosen & (1 << place) != 0 {
                        match file {
                            Some(file) => names.insert(name.clone(), *file),
                            None => names.remove(name),
                        };
                    }
                }
                let (written, safe) = &self.files[names["k.toml"]];
                found.push(safe.clone());
                if written != safe {
                    found.push(written.clone());
                    found.push(written[..written.len() / 2].to_vec());
                }
            }
            found
        }
    }

    impl Folder for Double {
        fn create(&mut self, name: &str) -> io::Result<()> {
            self.step()?;
            if self.names.contains_key(name) {
                return Err(io::ErrorKind::AlreadyExists.into());
            }
            self.files.push((Vec::new(), Vec::new()));
            self.name(name, Some(self.files.len() - 1));
            Ok(())
        }

        fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
            let file = self.find(name)?;
            let (first, second) = bytes.split_at(bytes.len() / 2);
            for half in [first, second] {
                self.step()?;
                self.files[file].0.extend_from_slice(half);
            }
            Ok(())
        }

        fn dress(&mut self, _: &str, _: &str) -> io::Result<()> {
            self.step()
        }

        fn sync(&mut self, name: &str) -> io::Result<()> {
            self.step()?;
            let file = self.find(name)?;
            self.files[file].1 = self.files[file].0.clone();
            Ok(())
        }

        fn read(&mut self, name: &str) -> io::Result<Vec<u8>> {
            self.step()?;
            Ok(self.files[self.find(name)?].0.clone())
        }

        fn link(&mut self, name: &str, second: &str) -> io::Result<()> {
            self.step()?;
            if !self.second_names {
                return Err(io::ErrorKind::PermissionDenied.into());
            }
            if self.names.contains_key(second) {
                return Err(io::ErrorKind::AlreadyExists.into());
            }
            let file = self.find(name)?;
            self.name(second, Some(file));
            Ok(())
        }

        fn remove(&mut self, name: &str) -> io::Result<()> {
            self.step()?;
            self.find(name)?;
            self.name(name, None);
            Ok(())
        }

        fn rename(&mut self, name: &str, over: &str) -> io::Result<()> {
            self.step()?;
            let file = self.find(name)?;
            // One stroke: either both happened or none.
            self.names.remove(name);
            self.names.insert(over.to_owned(), file);
            self.pending.push((over.to_owned(), Some(file)));
            Ok(())
        }

        fn sync_folder(&mut self) -> io::Result<()> {
            self.step()?;
            self.safe = self.names.clone();
            self.pending.clear();
            Ok(())
        }
    }

    /// Fault H5: killed while writing, the old or the new file, never neither.
    #[test]
    fn ended_or_without_power_at_any_step_the_file_is_the_old_or_the_new_one() {
        for second_names in [true, false] {
            let mut disk = Double::new(second_names);
            let copy = replace(&mut disk, "k.toml", OLD, NEW, "2026-05-01").unwrap().copy;
            assert_eq!(disk.files[disk.names[&copy]].0, OLD);
            assert_eq!(disk.files[disk.names["k.toml"]].0, NEW);
            assert_eq!(disk.names.len(), 2, "nothing else is left");
            let steps = disk.seen.len();
            assert!(steps >= if second_names { 11 } else { 15 }, "{steps} places to be ended at");
            let (mut ended, mut cut) = (0, 0);
            for now in disk.seen.iter().chain([&disk]) {
                let file = &now.files[now.names["k.toml"]].0;
                assert!(file == OLD || file == NEW);
                ended += 1;
                for held in now.after_a_cut() {
                    assert!(held == OLD || held == NEW, "{}", String::from_utf8_lossy(&held));
                    cut += 1;
                }
            }
            assert!(ended > 11 && cut > 20, "{ended} {cut}");
            // The same where the step fails instead, and what was begun is taken back.
            for steps_left in 0..steps - 1 {
                let mut disk = Double { steps_left, ..Double::new(second_names) };
                assert!(replace(&mut disk, "k.toml", OLD, NEW, "2026-05-01").is_err());
                assert_eq!(disk.files[disk.names["k.toml"]].0, OLD);
            }
        }
    }

    #[test]
    fn a_file_that_changed_meanwhile_is_left_alone() {
        let mut disk = Double::new(true);
        let done = replace(&mut disk, "k.toml", b"another text", NEW, "2026-05-01");
        assert!(matches!(done, Err(Unwritten::Changed)));
        assert_eq!(disk.names.keys().collect::<Vec<_>>(), ["k.toml"]);
    }

    #[test]
    fn what_an_ended_run_left_is_taken_away_and_no_copy_is_written_over() {
        let mut disk = Double::new(true);
        disk.create(".k.toml.new").unwrap();
        disk.create("k.toml.2026-05-01").unwrap();
        assert_eq!(replace(&mut disk, "k.toml", OLD, NEW, "2026-05-01").unwrap().copy, "k.toml.2026-05-01-2");
        assert_eq!(disk.files[disk.names["k.toml.2026-05-01"]].0, b"");
    }

    #[test]
    fn a_real_file_keeps_its_rights_and_a_link_leads_to_the_new_one() {
        let folder = tempfile::tempdir().unwrap();
        let (real, link) = (folder.path().join("real.toml"), folder.path().join("link.toml"));
        fs::write(&real, OLD).unwrap();
        fs::set_permissions(&real, fs::Permissions::from_mode(0o640)).unwrap();
        // Only root may give files away; the test then is about that too.
        let _ = chown(&real, Some(12), Some(34));
        let before = fs::metadata(&real).unwrap();
        std::os::unix::fs::symlink(&real, &link).unwrap();
        let (mut at, name) = folder_of(&link).unwrap();
        let copy = replace(&mut at, &name, OLD, NEW, "2026-05-01").unwrap().copy;
        assert_eq!(copy, "real.toml.2026-05-01");
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(
            (fs::read(&link).unwrap(), fs::read(folder.path().join(copy)).unwrap()),
            (NEW.to_vec(), OLD.to_vec())
        );
        let after = fs::metadata(&real).unwrap();
        assert_eq!((after.mode(), after.uid(), after.gid()), (before.mode(), before.uid(), before.gid()));
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3);
    }
}

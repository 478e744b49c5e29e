//! Who holds a port, and who may open it.
//!
//! Owns the reading of the process table, of the groups and users, and of a device's place on the USB. In: a device. Out:
//! names for messages. Reads only; what it may not read it leaves out.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// A program that has a device open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Holder {
    /// Its process number.
    pub process: u32,
    /// Its name, as the kernel shortens it (unsafe text).
    pub name: String,
}

/// The programs other than this one that have `device` open, as far as this user may see them.
pub fn holders(processes: &Path, device: &Path) -> Vec<Holder> {
    let Ok(wanted) = fs::canonicalize(device) else {
        return Vec::new();
    };
    let entries = fs::read_dir(processes).into_iter().flatten().flatten();
    let numbers = entries.filter_map(|entry| entry.file_name().to_str()?.parse::<u32>().ok());
    let mut found: Vec<Holder> = numbers
        .filter(|&process| process != std::process::id())
        .filter(|process| has_open(&processes.join(process.to_string()), &wanted))
        .map(|process| Holder { process, name: name_of(processes, process) })
        .collect();
    crate::order::by_key(&mut found, |holder| holder.process);
    found
}

/// Whether a program called `name` runs, whoever's it is.
pub fn runs(processes: &Path, name: &str) -> bool {
    let entries = fs::read_dir(processes).into_iter().flatten().flatten();
    entries.into_iter().any(|entry| fs::read_to_string(entry.path().join("comm")).is_ok_and(|is| is.trim_end() == name))
}

/// Whether this very program has `device` open already.
pub fn is_ours(processes: &Path, device: &Path) -> bool {
    let own = processes.join(std::process::id().to_string());
    fs::canonicalize(device).is_ok_and(|wanted| has_open(&own, &wanted))
}

fn has_open(process: &Path, wanted: &Path) -> bool {
    let descriptors = fs::read_dir(process.join("fd")).into_iter().flatten().flatten();
    descriptors.into_iter().any(|entry| fs::read_link(entry.path()).is_ok_and(|target| target == wanted))
}

fn name_of(processes: &Path, process: u32) -> String {
    let path = processes.join(process.to_string()).join("comm");
    fs::read_to_string(path).map_or_else(|_| "?".to_owned(), |name| name.trim_end().to_owned())
}

/// The name of the number `id` in a file of users or groups (`name:x:id:…`).
pub fn name_in(file: &Path, id: u32) -> Option<String> {
    fs::read_to_string(file).ok()?.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(id)).then(|| name.to_owned())
    })
}

/// Whether `user` is listed as a member of the group `id`.
pub fn is_listed(groups: &Path, id: u32, user: &str) -> bool {
    let text = fs::read_to_string(groups).unwrap_or_default();
    text.lines().map(|line| line.split(':').collect::<Vec<_>>()).any(|fields| {
        fields.get(2).and_then(|field| field.parse().ok()) == Some(id)
            && fields.get(3).is_some_and(|members| members.split(',').any(|member| member == user))
    })
}

/// Who owns a device, and whether its group may read and write it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Owner {
    /// The group's number.
    pub group: u32,
    /// The group may read and write.
    pub group_may: bool,
}

/// The owner of `device`.
pub fn owner(device: &Path) -> Option<Owner> {
    let found = fs::metadata(device).ok()?;
    Some(Owner { group: found.gid(), group_may: found.mode() & 0o060 == 0o060 })
}

/// The vendor and product number of the USB device behind `device`, from the kernel's list of terminals.
pub fn usb_numbers(terminals: &Path, device: &Path) -> Option<(String, String)> {
    let node = fs::canonicalize(device).ok()?;
    let mut place: PathBuf = fs::canonicalize(terminals.join(node.file_name()?).join("device")).ok()?;
    loop {
        if let Ok(vendor) = fs::read_to_string(place.join("idVendor")) {
            let product = fs::read_to_string(place.join("idProduct")).ok()?;
            return Some((vendor.trim().to_owned(), product.trim().to_owned()));
        }
        if !place.pop() {
            return None;
        }
    }
}

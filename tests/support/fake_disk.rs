//! A disk in memory that can do all the harm that disks do.
//!
//! What was written survives the end of the process; what was not synced survives a loss of power by chance
//! only, block by block: lost, torn at any byte, or kept though earlier blocks are lost. A name survives for
//! certain once its folder was synced. After a sync that failed, a later one promises nothing for the same
//! file, though it says so. Any call can fail, once or from then on; writes can be short; the room can end.
#![allow(dead_code, reason = "each test file uses its own part of this")]

use hingeclock::record::{Disk, LockError, Made, Storage};
use rand::Rng;
use rand::rngs::StdRng;
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

/// Bytes that reach the disk or do not reach it together, unless torn. Small, as the recordings are.
const BLOCK: usize = 128;

/// What a call does in place of its work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// The device is broken.
    Broken,
    /// There is no room.
    Full,
    /// Only a part is written.
    Short,
    /// A signal came.
    Interrupted,
    /// The power goes.
    PowerLoss,
}

#[derive(Clone, Default)]
struct File {
    bytes: Vec<u8>,
    /// So many of them are on the disk itself.
    synced: usize,
    /// A sync has failed: what was not on the disk by then may never be.
    doubtful: bool,
}

#[derive(Default)]
struct World {
    /// Folders and files by path, and whether the name is on the disk.
    folders: BTreeMap<PathBuf, bool>,
    files: BTreeMap<PathBuf, (File, bool)>,
    calls: u64,
    /// What the call with this number does.
    faults: BTreeMap<u64, Fault>,
    /// All calls from here on do it.
    from: Option<(u64, Fault)>,
    room: Option<usize>,
    /// Syncs say that they did, and do nothing.
    lies: bool,
    /// The folder that is gone: what was in it is out of reach.
    gone: Option<PathBuf>,
    off: bool,
}

/// The disk. Copies are the same one.
#[derive(Clone, Default)]
pub struct FakeDisk(Arc<Mutex<World>>);

fn failed(what: &str) -> io::Error {
    io::Error::other(format!("the fake failed: {what}"))
}

impl World {
    /// Counts a call; gives how many bytes of `wanted` may be written, or its failure.
    fn call(&mut self, wanted: usize) -> io::Result<usize> {
        if self.off {
            return Err(failed("no power"));
        }
        self.calls += 1;
        let lasting = self.from.filter(|(first, _)| self.calls >= *first).map(|(_, fault)| fault);
        match self.faults.get(&self.calls).copied().or(lasting) {
            None => Ok(wanted),
            Some(Fault::Broken) => Err(failed("broken")),
            Some(Fault::Full) => Err(io::ErrorKind::StorageFull.into()),
            Some(Fault::Short) => Ok(wanted.div_ceil(2)),
            Some(Fault::Interrupted) if wanted > 0 => Err(io::ErrorKind::Interrupted.into()),
            Some(Fault::Interrupted) => Ok(0),
            Some(Fault::PowerLoss) => {
                self.off = true;
                Ok(wanted / 2)
            }
        }
    }

    fn out_of_reach(&self, path: &Path) -> bool {
        self.gone.as_ref().is_some_and(|gone| path.starts_with(gone))
    }
}

impl FakeDisk {
    fn world<T>(&self, look: impl FnOnce(&mut World) -> T) -> T {
        look(&mut self.0.lock().unwrap())
    }

    /// The call with this number, counted from 1, goes wrong.
    pub fn fail(&self, call: u64, fault: Fault) {
        self.world(|world| world.faults.insert(call, fault));
    }

    /// That call and all after it go wrong.
    pub fn fail_from(&self, call: u64, fault: Fault) {
        self.world(|world| world.from = Some((call, fault)));
    }

    /// All is well from here on.
    pub fn heal(&self) {
        self.world(|world| {
            world.faults.clear();
            (world.from, world.room, world.gone) = (None, None, None);
        });
    }

    pub fn room(&self, bytes: usize) {
        self.world(|world| world.room = Some(bytes));
    }

    pub fn lie(&self) {
        self.world(|world| world.lies = true);
    }

    /// The folder is out of reach, though what is open can be written on.
    pub fn pull_out(&self, folder: &Path) {
        self.world(|world| world.gone = Some(folder.to_owned()));
    }

    pub fn calls(&self) -> u64 {
        self.world(|world| world.calls)
    }

    pub fn has_power(&self) -> bool {
        self.world(|world| !world.off)
    }

    /// The files as a process finds them that is started after this one was killed.
    pub fn after_kill(&self) -> Vec<(PathBuf, Vec<u8>)> {
        self.world(|world| {
            world.files.iter().map(|(path, (file, _))| (path.clone(), file.bytes.clone())).collect()
        })
    }

    /// The files as they are found after a loss of power.
    pub fn after_power_loss(&self, random: &mut StdRng) -> Vec<(PathBuf, Vec<u8>)> {
        self.world(|world| {
            let folders: Vec<PathBuf> = world
                .folders
                .iter()
                .filter(|(_, on_disk)| **on_disk || random.random_bool(0.5))
                .map(|(path, _)| path.clone())
                .collect();
            let there = |path: &Path| {
                path.ancestors().skip(1).all(|above| {
                    !world.folders.contains_key(above) || folders.iter().any(|folder| folder == above)
                })
            };
            let mut left = Vec::new();
            for (path, (file, on_disk)) in &world.files {
                if there(path) && (*on_disk || random.random_bool(0.5)) {
                    left.push((path.clone(), left_of(file, random)));
                }
            }
            left
        })
    }
}

/// What is left of a file: all that was synced; of the rest some blocks, and a length somewhere.
fn left_of(file: &File, random: &mut StdRng) -> Vec<u8> {
    let mut left = file.bytes.clone();
    let mut from = file.synced;
    while from < left.len() {
        let to = ((from / BLOCK + 1) * BLOCK).min(left.len());
        match random.random_range(0..4) {
            0 => left[from..to].fill(0),
            1 => left[random.random_range(from..to)..to].fill(0),
            _ => {}
        }
        from = to;
    }
    let length = match random.random_range(0..3) {
        0 => file.synced,
        1 => left.len(),
        _ => random.random_range(file.synced..=left.len()),
    };
    left.truncate(length);
    left
}

/// An open file of the fake's.
pub struct FakeFile {
    disk: FakeDisk,
    path: PathBuf,
}

impl Storage for FakeFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.disk.world(|world| {
            let mut taken = world.call(bytes.len())?;
            if let Some(room) = &mut world.room {
                taken = taken.min(*room);
                *room -= taken;
                if taken == 0 {
                    return Err(io::ErrorKind::StorageFull.into());
                }
            }
            let (file, _) = world.files.get_mut(&self.path).unwrap();
            file.bytes.extend_from_slice(&bytes[..taken]);
            if world.off { Err(failed("no power")) } else { Ok(taken) }
        })
    }

    fn sync(&mut self) -> io::Result<()> {
        self.disk.world(|world| {
            let called = world.call(0);
            let (lies, off) = (world.lies, world.off);
            let (file, _) = world.files.get_mut(&self.path).unwrap();
            if called.is_err() {
                file.doubtful = true;
            } else if !file.doubtful && !lies && !off {
                file.synced = file.bytes.len();
            }
            called.and_then(|_| if off { Err(failed("no power")) } else { Ok(()) })
        })
    }

    fn is_in_place(&mut self) -> bool {
        self.disk.world(|world| !world.out_of_reach(&self.path))
    }
}

impl Disk for FakeDisk {
    type File = FakeFile;
    type Lock = ();

    fn make_folder(&mut self, path: &Path) -> io::Result<Made> {
        self.world(|world| {
            world.call(0)?;
            let above = path.parent().unwrap();
            if world.out_of_reach(path) {
                return Err(io::ErrorKind::PermissionDenied.into());
            }
            if world.folders.contains_key(path) || path == Path::new("/") {
                return Ok(Made::Before);
            }
            if above != Path::new("/") && !world.folders.contains_key(above) {
                return Err(io::ErrorKind::NotFound.into());
            }
            world.folders.insert(path.to_owned(), false);
            Ok(Made::New)
        })
    }

    fn create(&mut self, path: &Path) -> io::Result<FakeFile> {
        self.world(|world| {
            world.call(0)?;
            if world.files.contains_key(path) {
                return Err(io::Error::from(io::ErrorKind::AlreadyExists));
            }
            world.files.insert(path.to_owned(), (File::default(), false));
            Ok(())
        })?;
        Ok(FakeFile { disk: self.clone(), path: path.to_owned() })
    }

    fn remove(&mut self, path: &Path) {
        self.world(|world| {
            if world.call(0).is_ok() {
                world.files.remove(path);
            }
        });
    }

    fn sync_folder(&mut self, path: &Path) -> io::Result<()> {
        self.world(|world| {
            world.call(0)?;
            if world.lies || world.off {
                return Ok(());
            }
            let inside = |other: &Path| other.parent() == Some(path);
            world
                .folders
                .iter_mut()
                .filter(|(other, _)| inside(other))
                .for_each(|(_, on_disk)| *on_disk = true);
            let files = world.files.iter_mut().filter(|(other, _)| inside(other));
            files.for_each(|(_, (_, on_disk))| *on_disk = true);
            Ok(())
        })
    }

    fn lock(&mut self, folder: &Path, _holder: &str) -> Result<(), LockError> {
        let called = self.world(|world| world.call(0));
        called.map(drop).map_err(|source| LockError::Io { folder: folder.to_owned(), source })
    }
}

//! What stands between a name and its bytes: folders, pipes, rights, sizes, and other kinds.

use std::fs;
use std::path::Path;

use secondbend::read::{ReadError, ReadOptions, Trouble, read_bytes, read_file};
use sha2::{Digest, Sha256};

use crate::{binary, is_cuboid, noted, read, refused, text};

fn open(path: &Path) -> Result<(), ReadError> {
    read_file(path, &ReadOptions::default()).map(|_| ())
}

fn trouble(path: &Path) -> Trouble {
    open(path).unwrap_err().trouble
}

#[test]
fn names_that_hold_no_file() {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(trouble(folder.path()), Trouble::NotAFile);
    assert_eq!(trouble(&folder.path().join("no.stl")), Trouble::NotFound);
    assert_eq!(trouble(Path::new("")), Trouble::NotFound);
    let empty = folder.path().join("empty.stl");
    fs::write(&empty, b"").unwrap();
    assert_eq!(trouble(&empty), Trouble::Empty);
    assert_ne!(trouble(&empty.join("under-a-file.stl")), Trouble::Malformed);
}

#[cfg(unix)]
#[test]
fn a_pipe_or_a_device_does_not_hold_us_up() {
    let folder = tempfile::tempdir().unwrap();
    let pipe = folder.path().join("pipe.stl");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    if made.is_ok_and(|s| s.success()) {
        assert_eq!(trouble(&pipe), Trouble::NotAFile);
    } else {
        println!("skipped: no mkfifo");
    }
    assert_eq!(trouble(Path::new("/dev/zero")), Trouble::NotAFile);
}

#[cfg(unix)]
#[test]
fn no_permission() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let closed = folder.path().join("closed.stl");
    fs::write(&closed, binary()).unwrap();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o000)).unwrap();
    if fs::File::open(&closed).is_ok() {
        println!("skipped: this user may read everything");
        return;
    }
    assert_eq!(trouble(&closed), Trouble::NoPermission);
}

#[test]
fn odd_names_and_the_digest() {
    let folder = tempfile::tempdir().unwrap();
    for name in [
        "a b.stl",
        "it's \"quoted\".stl",
        "<script>.stl",
        "耳.STL",
        "line\nbreak.stl",
        "none",
    ] {
        let path = folder.path().join(name);
        fs::write(&path, binary()).unwrap();
        let scan = read_file(&path, &ReadOptions::default()).unwrap();
        is_cuboid(&scan);
        assert_eq!(scan.path, path);
        let want: String = Sha256::digest(binary())
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect();
        assert_eq!(scan.sha256, want);
    }
    // From the published examples of the algorithm: the digest of "abc".
    let abc: String = Sha256::digest(b"abc")
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect();
    assert!(abc.starts_with("ba7816bf8f01cfea") && abc.ends_with("f20015ad"));
    let broken = folder.path().join("bad\x1b[31m\nname.stl");
    fs::write(&broken, b"solid x\nfacet").unwrap();
    let message = open(&broken).unwrap_err().to_string();
    assert!(!message.contains(char::is_control), "{message:?}");
}

#[test]
fn caps_on_bytes_and_facets() {
    let capped = |max_bytes, max_facets, bytes: &[u8]| {
        let opts = ReadOptions {
            max_bytes,
            max_facets,
            ..ReadOptions::default()
        };
        read_bytes(bytes, Path::new("a"), &opts).map_err(|e| e.trouble)
    };
    assert!(capped(684, 12, &binary()).is_ok());
    assert_eq!(capped(683, 12, &binary()).unwrap_err(), Trouble::TooLarge);
    assert_eq!(capped(684, 11, &binary()).unwrap_err(), Trouble::TooLarge);
    let text = text();
    assert!(capped(u64::MAX, usize::MAX, text.as_bytes()).is_ok());
    assert_eq!(
        capped(u64::MAX, 11, text.as_bytes()).unwrap_err(),
        Trouble::TooLarge
    );
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.stl");
    fs::write(&path, binary()).unwrap();
    let opts = ReadOptions {
        max_bytes: 683,
        ..ReadOptions::default()
    };
    assert_eq!(
        read_file(&path, &opts).unwrap_err().trouble,
        Trouble::TooLarge
    );
}

#[test]
fn other_kinds_are_named() {
    for (start, says) in [
        (&b"\x89PNG\r\n\x1a\n"[..], "PNG"),
        (b"\xff\xd8\xff\xe0", "JPEG"),
        (b"%PDF-1.7", "PDF"),
        (b"glTF\x02\0\0\0", "glTF"),
        (b"ISO-10303-21;", "STEP"),
        (b"\x1f\x8b\x08", "gzip"),
    ] {
        let bytes = [start, &[0; 200]].concat();
        refused("a.stl", &bytes, Trouble::UnknownKind, says);
    }
    refused(
        "a.txt",
        b"Dear lab,\nplease find",
        Trouble::UnknownKind,
        "\"Dear lab,",
    );
    refused("a.bin", &[3; 500], Trouble::UnknownKind, "no mesh format");
    refused("a.stl", b"Dear lab,\n", Trouble::UnknownKind, "Dear lab");
    refused("a.txt", b"o dear lab\n", Trouble::UnknownKind, "o dear");
    refused("a.csv", b"x,y,z\n1,2,3\n", Trouble::UnknownKind, "\"x,y,z");
}

#[test]
fn the_ending_is_only_a_hint() {
    let scan = read("a.obj", &binary()).unwrap();
    is_cuboid(&scan);
    noted(&scan, "the name ends in .obj, but the content is STL");
    let scan = read("a.PLY", text().as_bytes()).unwrap();
    is_cuboid(&scan);
    noted(&scan, "ends in .ply, but the content is STL");
    for quiet in ["a.stl", "a.STL", "a", "a.stl.bak"] {
        assert!(read(quiet, &binary()).unwrap().notes.is_empty());
    }
}

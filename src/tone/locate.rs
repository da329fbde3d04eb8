//! Where the sound server's socket is. The rule is pure; [`ServerEnv::of_process`] reads the environment.

use super::ToneError;
use std::path::{Path, PathBuf};

/// The variables that say where the server is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ServerEnv {
    /// `PULSE_SERVER`: one or more addresses, separated by spaces. Where set, nothing else is looked at.
    pub pulse_server: Option<String>,
    /// `PULSE_RUNTIME_PATH`: the folder of the server's own socket.
    pub pulse_runtime_path: Option<PathBuf>,
    /// `XDG_RUNTIME_DIR`: the user's folder for sockets.
    pub xdg_runtime_dir: Option<PathBuf>,
}

/// Socket of a server that runs for the whole machine.
const MACHINE_WIDE: &str = "/run/pulse/native";

impl ServerEnv {
    /// The variables of this process; empty ones count as missing.
    #[must_use]
    pub fn of_process() -> ServerEnv {
        let var = |name: &str| std::env::var(name).ok().filter(|value| !value.is_empty());
        ServerEnv {
            pulse_server: var("PULSE_SERVER"),
            pulse_runtime_path: var("PULSE_RUNTIME_PATH").map(PathBuf::from),
            xdg_runtime_dir: var("XDG_RUNTIME_DIR").map(PathBuf::from),
        }
    }

    /// Sockets to try, best first. Addresses over the network are left out: they are not served.
    #[must_use]
    pub fn candidates(&self) -> Vec<PathBuf> {
        if let Some(list) = &self.pulse_server {
            return list.split_whitespace().filter_map(local_socket).collect();
        }
        let own = self.pulse_runtime_path.iter().map(|dir| dir.join("native"));
        let user = self.xdg_runtime_dir.iter().map(|dir| dir.join("pulse/native"));
        own.chain(user).chain([PathBuf::from(MACHINE_WIDE)]).collect()
    }

    /// The first candidate that is there.
    ///
    /// # Errors
    /// None is; the message lists them.
    pub fn socket(&self) -> Result<PathBuf, ToneError> {
        let candidates = self.candidates();
        candidates.iter().find(|path| path.exists()).cloned().ok_or_else(|| self.nothing_found(&candidates))
    }

    fn nothing_found(&self, candidates: &[PathBuf]) -> ToneError {
        let shown: Vec<_> = candidates.iter().map(|path| path.display().to_string()).collect();
        ToneError::Server(match &self.pulse_server {
            Some(list) if shown.is_empty() => {
                format!("PULSE_SERVER: expected unix:/path/of/a/socket, found {list:?}")
            }
            _ => format!("no server found, looked for {}", shown.join(", ")),
        })
    }
}

/// The path in `unix:/path`, `/path` or either behind a `{machine id}`.
fn local_socket(address: &str) -> Option<PathBuf> {
    let address = match address.strip_prefix('{') {
        Some(rest) => rest.split_once('}')?.1,
        None => address,
    };
    let path = Path::new(address.strip_prefix("unix:").unwrap_or(address));
    path.is_absolute().then(|| path.to_path_buf())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(pulse_server: &str, expected: &[&str]) {
        let env = ServerEnv { pulse_server: Some(pulse_server.into()), ..ServerEnv::default() };
        let expected: Vec<_> = expected.iter().map(PathBuf::from).collect();
        assert_eq!(env.candidates(), expected, "{pulse_server}");
    }

    #[test]
    fn addresses_are_read_as_the_server_writes_them() {
        check("unix:/a/b", &["/a/b"]);
        check("/a/b", &["/a/b"]);
        check("{4e1f}unix:/a/b tcp:host:4713 /c", &["/a/b", "/c"]);
        check("tcp:host", &[]);
        check("{4e1f", &[]);
        check("relative/path", &[]);
    }

    #[test]
    fn without_an_address_the_runtime_folders_are_tried() {
        let env = ServerEnv {
            pulse_server: None,
            pulse_runtime_path: Some("/p".into()),
            xdg_runtime_dir: Some("/x".into()),
        };
        let expected = ["/p/native", "/x/pulse/native", MACHINE_WIDE].map(PathBuf::from);
        assert_eq!(env.candidates(), expected);
    }

    #[test]
    fn a_missing_server_is_told_with_what_was_tried() {
        let env = ServerEnv { pulse_server: Some("unix:/nowhere/s".into()), ..ServerEnv::default() };
        let text = env.socket().unwrap_err().to_string();
        assert_eq!(text, "sound server: no server found, looked for /nowhere/s");
        let env = ServerEnv { pulse_server: Some("tcp:h".into()), ..ServerEnv::default() };
        let text = env.socket().unwrap_err().to_string();
        assert_eq!(text, "sound server: PULSE_SERVER: expected unix:/path/of/a/socket, found \"tcp:h\"");
    }
}

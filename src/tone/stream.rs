//! Edge: one stream on the sound server. The messages are those of the crate `pulseaudio`; the loop around them
//! is our own: it allocates nothing while the stream runs, takes no lock, and hears at once when the device goes.

use super::ToneError;
use pulseaudio::protocol::{
    self, Command, CommandReply, Descriptor, DescriptorFlags, Prop, Props, ProtocolError,
};
use std::ffi::CString;
use std::io::{ErrorKind, Read, Write};
use std::ops::ControlFlow;
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::Duration;

/// Longest wait for an answer of the server.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(3);
/// How long an open stream waits for the server before its owner may look around.
pub(super) const LOOK_EVERY: Duration = Duration::from_millis(200);
/// Longest message that is understood, bytes. Those of a stream are short; so are a server's answers about itself.
const LONGEST_MESSAGE: usize = 64 * 1024;
/// Longest piece of sound that is sent at once, bytes; a longer request is answered in several.
const LONGEST_PIECE: usize = 16 * 1024;

/// What an open stream is told.
#[derive(Debug)]
pub(super) enum Heard {
    /// The server wants so many bytes of sound.
    Wants(usize),
    /// Nothing came for [`LOOK_EVERY`].
    Nothing,
    /// Something that does not matter here.
    Other,
}

/// A connection to the sound server.
pub(super) struct Connection {
    socket: UnixStream,
    version: u16,
    next_seq: u32,
    incoming: Vec<u8>,
    filled: usize,
    /// The length of the message that was looked at last; it is let go of before the next.
    seen: usize,
    outgoing: Vec<u8>,
}

fn failed(error: &dyn std::fmt::Display) -> ToneError {
    ToneError::Server(error.to_string())
}

impl Connection {
    /// Connects and greets.
    ///
    /// # Errors
    /// No server at `path`, or one that refuses or does not answer within 3 s.
    pub fn open(path: &Path) -> Result<Connection, ToneError> {
        let at_path = |e: std::io::Error| ToneError::Server(format!("{}: {e}", path.display()));
        let socket = UnixStream::connect(path).map_err(at_path)?;
        socket.set_read_timeout(Some(ANSWER_TIMEOUT)).map_err(at_path)?;
        socket.set_write_timeout(Some(ANSWER_TIMEOUT)).map_err(at_path)?;
        let mut connection = Connection {
            socket,
            version: protocol::MAX_VERSION,
            next_seq: 0,
            incoming: vec![0; LONGEST_MESSAGE],
            filled: 0,
            seen: 0,
            outgoing: vec![0; protocol::DESCRIPTOR_SIZE + LONGEST_PIECE],
        };
        let auth = protocol::AuthParams {
            version: protocol::MAX_VERSION,
            supports_shm: false,
            supports_memfd: false,
            cookie: cookie(),
        };
        let told: protocol::AuthReply = connection.ask(&Command::Auth(auth))?;
        connection.version = told.version.min(protocol::MAX_VERSION);
        let mut props = Props::new();
        props.set(Prop::ApplicationName, c"hingeclock");
        if let Ok(id) = CString::new(std::process::id().to_string()) {
            props.set(Prop::ApplicationProcessId, id);
        }
        connection.ask::<protocol::SetClientNameReply>(&Command::SetClientName(props))?;
        Ok(connection)
    }

    /// Sends a command; gives its number, which the answer will bear.
    fn tell(&mut self, command: &Command) -> Result<u32, ProtocolError> {
        let seq = self.next_seq;
        self.next_seq += 1;
        protocol::write_command_message(&mut self.socket, seq, command, self.version)?;
        Ok(seq)
    }

    /// Asks something and waits for the answer.
    ///
    /// # Errors
    /// The server refuses, hangs up, or does not answer within 3 s.
    pub fn ask<R: CommandReply>(&mut self, command: &Command) -> Result<R, ToneError> {
        let seq = self.tell(command).map_err(|e| failed(&e))?;
        loop {
            let Some(message) = self.next_message().map_err(|e| failed(&e))? else {
                return Err(failed(&"no answer within 3 s"));
            };
            let mut message = &self.incoming[message];
            match Command::read_tag_prefixed(&mut message, self.version).map_err(|e| failed(&e))? {
                (found, Command::Reply) if found == seq => {
                    let mut reader = protocol::TagStructReader::new(&mut message, self.version);
                    return reader.read().map_err(|e| failed(&e));
                }
                (found, Command::Error(error)) if found == seq => return Err(failed(&error)),
                _ => {}
            }
        }
    }

    /// Opens a stream on this connection; gives what the server wants of it first.
    ///
    /// # Errors
    /// The server refuses, or there is no device.
    pub fn stream(mut self, params: protocol::PlaybackStreamParams) -> Result<(Stream, usize), ToneError> {
        let told: protocol::CreatePlaybackStreamReply = self.ask(&Command::CreatePlaybackStream(params))?;
        self.socket.set_read_timeout(Some(LOOK_EVERY)).map_err(|e| failed(&e))?;
        Ok((Stream { connection: self, channel: told.channel }, told.requested_bytes as usize))
    }

    /// The place of the next message's body, or none when nothing came in time. A part of a message is kept.
    fn next_message(&mut self) -> Result<Option<std::ops::Range<usize>>, ProtocolError> {
        let seen = std::mem::take(&mut self.seen);
        self.incoming.copy_within(seen..self.filled, 0);
        self.filled -= seen;
        loop {
            if let Some(end) = self.message_end(0)? {
                self.seen = end;
                return Ok(Some(protocol::DESCRIPTOR_SIZE..end));
            }
            match self.socket.read(&mut self.incoming[self.filled..]) {
                Ok(0) => return Err(std::io::Error::from(ErrorKind::UnexpectedEof).into()),
                Ok(read) => self.filled += read,
                Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => return Ok(None),
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(e) => return Err(e.into()),
            }
        }
    }

    /// Where the message that begins at `start` ends, once it has come whole.
    fn message_end(&self, start: usize) -> Result<Option<usize>, ProtocolError> {
        let come = &self.incoming[start..self.filled];
        let Some(head) = come.get(..protocol::DESCRIPTOR_SIZE) else { return Ok(None) };
        let length = protocol::read_descriptor(&mut &*head)?.length as usize;
        let length = protocol::DESCRIPTOR_SIZE.saturating_add(length);
        if length > LONGEST_MESSAGE {
            return Err(ProtocolError::Invalid(format!("a message of {length} bytes")));
        }
        Ok((length <= come.len()).then_some(start + length))
    }
}

/// An open stream.
pub(super) struct Stream {
    connection: Connection,
    channel: u32,
}

impl Stream {
    /// The next thing that the server says; why the stream is over, where it is.
    pub fn hear(&mut self) -> ControlFlow<String, Heard> {
        let connection = &mut self.connection;
        let message = match connection.next_message() {
            Ok(Some(message)) => message,
            Ok(None) => return ControlFlow::Continue(Heard::Nothing),
            Err(_) => return ControlFlow::Break("it closed the connection".to_owned()),
        };
        let body = &mut &connection.incoming[message];
        // What cannot be read is of a kind that a stream does not need.
        let Ok((_, command)) = Command::read_tag_prefixed(body, connection.version) else {
            return ControlFlow::Continue(Heard::Other);
        };
        match command {
            Command::Request(request) if request.channel == self.channel => {
                ControlFlow::Continue(Heard::Wants(request.length as usize))
            }
            Command::PlaybackStreamKilled(channel) if channel == self.channel => {
                ControlFlow::Break("its device has gone".to_owned())
            }
            _ => ControlFlow::Continue(Heard::Other),
        }
    }

    /// Asks for another buffer. The answer is passed over: a server that has no other goes on as before.
    pub fn change_buffer(&mut self, buffer_attr: protocol::stream::BufferAttr) -> ControlFlow<String> {
        let params = protocol::SetPlaybackStreamBufferAttrParams {
            index: self.channel,
            buffer_attr,
            adjust_latency: true,
            early_requests: false,
        };
        match self.connection.tell(&Command::SetPlaybackStreamBufferAttr(params)) {
            Ok(_) => ControlFlow::Continue(()),
            Err(_) => ControlFlow::Break("it takes no sound any more".to_owned()),
        }
    }

    /// Whether a further message has come whole already, so that [`Stream::hear`] does not wait.
    pub fn has_more(&self) -> bool {
        matches!(self.connection.message_end(self.connection.seen), Ok(Some(_)))
    }

    /// Sends `wanted` bytes of sound, which `fill` writes in pieces of whole samples of `sample_bytes`.
    pub fn send(
        &mut self,
        wanted: usize,
        sample_bytes: usize,
        mut fill: impl FnMut(&mut [u8]),
    ) -> ControlFlow<String> {
        let longest = LONGEST_PIECE - LONGEST_PIECE % sample_bytes.max(1);
        let mut left = wanted;
        while left > 0 {
            let length = left.min(longest);
            left -= length;
            let piece = &mut self.connection.outgoing[..protocol::DESCRIPTOR_SIZE + length];
            if let Some((head, sound)) = piece.split_first_chunk_mut() {
                let flags = DescriptorFlags::empty();
                let descriptor =
                    Descriptor { length: length as u32, channel: self.channel, offset: 0, flags };
                protocol::encode_descriptor(head, &descriptor);
                fill(sound);
            }
            if self.connection.socket.write_all(piece).is_err() {
                return ControlFlow::Break("it takes no sound any more".to_owned());
            }
        }
        ControlFlow::Continue(())
    }
}

/// The user's key for the server. A server that lets its own user in without one still hangs up on a key of
/// another length, so a missing key is zeros.
fn cookie() -> Vec<u8> {
    const LENGTH: usize = 256;
    let found = pulseaudio::cookie_path_from_env().and_then(|path| std::fs::read(path).ok());
    found.filter(|key| key.len() == LENGTH).unwrap_or_else(|| vec![0; LENGTH])
}

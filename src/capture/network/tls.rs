//! TLS 1.2 and 1.3 (RFC 5246, RFC 8446) under a camera's stream, and whom to believe.
//!
//! A server is believed whose certificate public authorities vouch for, as browsers do; or, where the user gave a fingerprint, the one that
//! shows exactly that certificate and proves that it holds its key. Cameras mostly vouch for themselves, so a refusal names the fingerprint.

use std::fmt;
use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use rustls::client::WebPkiServerVerifier;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, ring as provider};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{
    CertificateError, ClientConfig, ClientConnection, DigitallySignedStruct, Error, RootCertStore,
    SignatureScheme,
};

use super::http::{Refusal, is_silence, refusal};

/// The SHA-256 of a certificate in its binary form (DER), by which people know it.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Fingerprint([u8; 32]);

impl Fingerprint {
    /// Reads 64 hexadecimal digits, with colons, blanks or hyphens between them or not; `SHA256:` or `sha256 Fingerprint=` may stand before them.
    ///
    /// # Errors
    /// What is wrong, as a sentence.
    pub fn parse(text: &str) -> Result<Self, String> {
        let lower = text.trim().to_ascii_lowercase();
        let after = |text: &'_ str, head: &str| text.strip_prefix(head).map(str::to_owned);
        let digits = after(&lower, "sha256 fingerprint=")
            .or_else(|| after(&lower, "sha256:"))
            .unwrap_or(lower);
        let digits: Vec<u8> = digits
            .bytes()
            .filter(|byte| !matches!(byte, b':' | b' ' | b'-'))
            .collect();
        let mut bytes = [0; 32];
        let whole = digits.len() == 2 * bytes.len();
        for (byte, two) in bytes.iter_mut().zip(digits.chunks_exact(2)) {
            let value = std::str::from_utf8(two)
                .ok()
                .filter(|two| two.chars().all(|digit| digit.is_ascii_hexdigit()))
                .and_then(|two| u8::from_str_radix(two, 16).ok());
            match value {
                Some(value) if whole => *byte = value,
                _ => {
                    return Err(format!(
                        "`{text}` is no SHA-256 fingerprint; give its 64 hexadecimal digits, as the refusal of the camera names them"
                    ));
                }
            }
        }
        if whole {
            Ok(Self(bytes))
        } else {
            Err(format!(
                "`{text}` has {} hexadecimal digits where a SHA-256 fingerprint has 64; give it whole",
                digits.len()
            ))
        }
    }

    fn of(certificate: &CertificateDer<'_>) -> Self {
        let mut bytes = [0; 32];
        let digest = ring::digest::digest(&ring::digest::SHA256, certificate.as_ref());
        for (to, &from) in bytes.iter_mut().zip(digest.as_ref()) {
            *to = from;
        }
        Self(bytes)
    }
}

impl fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, byte) in self.0.iter().enumerate() {
            let colon = if at == 0 { "" } else { ":" };
            write!(f, "{colon}{byte:02X}")?;
        }
        Ok(())
    }
}

impl fmt::Debug for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// Whom to believe.
#[derive(Clone)]
pub(super) struct Trust {
    /// Authorities.
    roots: Arc<RootCertStore>,
    /// The only certificate that counts, where the user named one.
    certificate: Option<Fingerprint>,
}

impl Trust {
    /// The authorities that browsers know, or one certificate only.
    pub(super) fn of_the_public(certificate: Option<Fingerprint>) -> Self {
        let roots = RootCertStore::from_iter(webpki_roots::TLS_SERVER_ROOTS.iter().cloned());
        Self {
            roots: Arc::new(roots),
            certificate,
        }
    }

    /// Other authorities; for tests.
    #[cfg(test)]
    pub(super) fn of(roots: RootCertStore) -> Self {
        Self {
            roots: Arc::new(roots),
            certificate: None,
        }
    }
}

/// Judges a certificate and remembers it for the refusal.
#[derive(Debug)]
struct Judge {
    usual: Arc<WebPkiServerVerifier>,
    certificate: Option<Fingerprint>,
    shown: Mutex<Option<Fingerprint>>,
}

impl ServerCertVerifier for Judge {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        server_name: &ServerName<'_>,
        ocsp_response: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        let shown = Fingerprint::of(end_entity);
        *self.shown.lock().unwrap_or_else(PoisonError::into_inner) = Some(shown);
        match self.certificate {
            Some(wanted) if wanted == shown => Ok(ServerCertVerified::assertion()),
            Some(_) => Err(CertificateError::ApplicationVerificationFailure.into()),
            None => self.usual.verify_server_cert(
                end_entity,
                intermediates,
                server_name,
                ocsp_response,
                now,
            ),
        }
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        self.usual.verify_tls12_signature(message, cert, dss)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        self.usual.verify_tls13_signature(message, cert, dss)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.usual.supported_verify_schemes()
    }
}

/// A connection on which both ends have agreed.
pub(super) struct Secured {
    connection: ClientConnection,
    socket: TcpStream,
}

impl Secured {
    /// Agrees with the server until `deadline`.
    ///
    /// # Errors
    /// It shows a certificate that cannot be believed, speaks no TLS that is known here, or says nothing.
    pub(super) fn agree(
        socket: TcpStream,
        host: &str,
        trust: &Trust,
        deadline: Instant,
    ) -> Result<Self, Refusal> {
        const CURE: &str =
            "see whether the camera serves http://, or bring its software up to date";
        let name = ServerName::try_from(host.to_owned()).map_err(|_| {
            refusal(
                "names a host that no certificate can name",
                "give its number or its name in letters of the Latin alphabet",
            )
        })?;
        let unready = |error: &dyn fmt::Display| {
            refusal(
                format!("cannot be secured ({error})"),
                "give its http:// address",
            )
        };
        let provider: Arc<CryptoProvider> = Arc::new(provider::default_provider());
        let usual = WebPkiServerVerifier::builder_with_provider(
            Arc::clone(&trust.roots),
            Arc::clone(&provider),
        )
        .build()
        .map_err(|error| unready(&error))?;
        let judge = Arc::new(Judge {
            usual,
            certificate: trust.certificate,
            shown: Mutex::new(None),
        });
        let verifier: Arc<dyn ServerCertVerifier> = judge.clone();
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(|error| unready(&error))?
            .dangerous()
            .with_custom_certificate_verifier(verifier)
            .with_no_client_auth();
        let connection =
            ClientConnection::new(Arc::new(config), name).map_err(|error| unready(&error))?;
        let mut secured = Self { connection, socket };
        let broken = |error: &io::Error| {
            if is_silence(error) {
                refusal("does not answer", CURE)
            } else {
                refusal(
                    format!("breaks off before TLS is agreed upon ({error})"),
                    CURE,
                )
            }
        };
        loop {
            secured.flush().map_err(|error| broken(&error))?;
            if !secured.connection.is_handshaking() {
                return Ok(secured);
            }
            if Instant::now() > deadline {
                return Err(refusal("takes too long to agree upon TLS", CURE));
            }
            match secured.connection.read_tls(&mut secured.socket) {
                Ok(0) => return Err(refusal("hangs up before TLS is agreed upon", CURE)),
                Ok(_) => {}
                Err(error) => return Err(broken(&error)),
            }
            if let Err(error) = secured.connection.process_new_packets() {
                // The server hears why, if it still listens.
                let _ = secured.flush();
                let shown = *judge.shown.lock().unwrap_or_else(PoisonError::into_inner);
                return Err(refused(&error, shown, trust.certificate.is_some()));
            }
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        while self.connection.wants_write() {
            self.connection.write_tls(&mut self.socket)?;
        }
        Ok(())
    }

    /// Writes all of `bytes`.
    ///
    /// # Errors
    /// The connection broke.
    pub(super) fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.connection.writer().write_all(bytes)?;
        self.flush()
    }
}

impl Read for Secured {
    /// One read of the socket at most, so that whoever sends a byte now and then holds nobody up: `Interrupted` where it held no content yet.
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        let here = |connection: &mut ClientConnection, to: &mut [u8]| {
            match connection.reader().read(to) {
                // Hung up without the closing word, as many cameras do; the form of the stream tells whether it was whole.
                Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Some(Ok(0)),
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => None,
                got => Some(got),
            }
        };
        if let Some(got) = here(&mut self.connection, to) {
            return got;
        }
        self.connection.read_tls(&mut self.socket)?;
        let state = self.connection.process_new_packets();
        self.flush()?;
        state.map_err(|error| io::Error::other(error.to_string()))?;
        here(&mut self.connection, to).unwrap_or_else(|| Err(io::ErrorKind::Interrupted.into()))
    }
}

fn refused(error: &Error, shown: Option<Fingerprint>, by_fingerprint: bool) -> Refusal {
    match (error, shown) {
        (Error::InvalidCertificate(_), Some(shown)) if by_fingerprint => refusal(
            format!(
                "shows another certificate than the accepted one, with the fingerprint {shown}"
            ),
            "another machine may answer, or the camera has a new certificate: find out which before you accept it",
        ),
        (Error::InvalidCertificate(wrong), Some(shown)) => {
            let why = match wrong {
                CertificateError::Expired | CertificateError::ExpiredContext { .. } => {
                    "has run out"
                }
                CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
                    "is not valid yet (see to the clocks of both)"
                }
                CertificateError::NotValidForName
                | CertificateError::NotValidForNameContext { .. } => "is made out to another name",
                CertificateError::Revoked => "was revoked",
                _ => "no public authority vouches for",
            };
            refusal(
                format!("shows a certificate that {why}, with the fingerprint {shown}"),
                "if the camera's own page or manual shows the same one, accept it with --certificate FINGERPRINT",
            )
        }
        (Error::InvalidMessage(_), _) => refusal(
            "does not speak TLS",
            "give its http:// address, or the port of its https",
        ),
        (Error::PeerIncompatible(_) | Error::AlertReceived(_), _) => refusal(
            format!("speaks no TLS that is known here ({error})"),
            "bring the camera's software up to date, or give its http:// address",
        ),
        _ => refusal(
            format!("cannot agree upon TLS ({error})"),
            "give its http:// address",
        ),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn fingerprints_are_read_as_people_write_them() {
        // SHA-256 of no bytes (FIPS 180-4's function; value from memory).
        let text = "E3:B0:C4:42:98:FC:1C:14:9A:FB:F4:C8:99:6F:B9:24:27:AE:41:E4:64:9B:93:4C:A4:95:99:1B:78:52:B8:55";
        let empty = Fingerprint::of(&CertificateDer::from(Vec::new()));
        assert_eq!(empty.to_string(), text);
        for written in [
            text.to_owned(),
            text.replace(':', ""),
            text.replace(':', " ").to_lowercase(),
            format!("sha256 Fingerprint={text}\n"),
            format!("SHA256:{text}"),
        ] {
            assert_eq!(Fingerprint::parse(&written), Ok(empty), "{written}");
        }
        for wrong in [
            "",
            "E3:B0",
            &text.replace('E', "G"),
            &text.replace("E3", "+3"),
            &format!("{text}:00"),
        ] {
            assert!(Fingerprint::parse(wrong).is_err(), "{wrong}");
        }
    }
}

//! Carries one message to its receiver over HTTP. Whatever a name comes to mean,
//! the address that is connected to is the one that was checked; no redirect is
//! followed, no proxy used, nothing of an answer read but its head.

use crate::certificates::authorities;
use crate::domain::feed::Reach;
use std::fmt;
use std::time::{Duration, Instant};
use thiserror::Error;
use ureq::config::Config;
use ureq::http::Uri;
use ureq::tls::TlsConfig;
use ureq::unversioned::resolver::{DefaultResolver, ResolvedSocketAddrs, Resolver};
use ureq::unversioned::transport::{DefaultConnector, NextTimeout};

/// How long a receiver may take for everything.
const LONGEST: Duration = Duration::from_secs(15);
/// How long finding its address, and opening a connection, may take each.
const LONGEST_STEP: Duration = Duration::from_secs(5);
/// The largest head of an answer, in bytes.
const LARGEST_HEAD: usize = 16 * 1024;

/// The certificates that were given cannot be used.
#[derive(Debug, Error)]
#[error("the certificates for webhooks cannot be used: {0}")]
pub struct BadAuthorities(String);

/// What came of carrying a message.
pub(super) struct Sent {
    /// The HTTP status it was answered with.
    pub(super) status: Option<u16>,
    /// Why there was no answer.
    pub(super) fault: Option<String>,
    /// How long it took, ms.
    pub(super) took_ms: u32,
}

/// Carries messages.
pub(super) struct Courier {
    agent: ureq::Agent,
}

/// Every address of the receiver is one that the site does not allow.
#[derive(Debug, Error)]
#[error("the receiver's address is not allowed")]
struct NotAllowed;

/// Finds addresses, and drops those that must not be reached.
struct Guarded {
    inner: DefaultResolver,
    reach: Reach,
}

impl fmt::Debug for Guarded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Guarded")
    }
}

impl Resolver for Guarded {
    fn resolve(
        &self,
        uri: &Uri,
        config: &Config,
        timeout: NextTimeout,
    ) -> Result<ResolvedSocketAddrs, ureq::Error> {
        let found = self.inner.resolve(uri, config, timeout).map_err(|error| {
            // What the system says of names it does not know arrives as this.
            if matches!(error, ureq::Error::Io(_)) { ureq::Error::HostNotFound } else { error }
        })?;
        let mut allowed = self.empty();
        for address in found.iter().filter(|address| self.reach.admits(address.ip()).is_ok()) {
            allowed.push(*address);
        }
        if allowed.is_empty() { Err(ureq::Error::Other(Box::new(NotAllowed))) } else { Ok(allowed) }
    }
}

impl Courier {
    /// A courier that goes where the site lets it.
    pub(super) fn new(reach: &Reach) -> Result<Self, BadAuthorities> {
        let mut tls = TlsConfig::builder();
        if let Some(pem) = &reach.authorities {
            tls = tls.root_certs(authorities(pem).map_err(BadAuthorities)?);
        }
        let config = ureq::Agent::config_builder()
            .tls_config(tls.build())
            .https_only(!reach.http)
            .proxy(None)
            .max_redirects(0)
            .max_redirects_will_error(false)
            .http_status_as_error(false)
            .max_response_header_size(LARGEST_HEAD)
            // A connection that is used again was not checked again.
            .max_idle_connections(0)
            .timeout_global(Some(LONGEST))
            .timeout_resolve(Some(LONGEST_STEP))
            .timeout_connect(Some(LONGEST_STEP))
            .user_agent(concat!("drykeep/", env!("CARGO_PKG_VERSION")))
            .build();
        let guarded = Guarded { inner: DefaultResolver::default(), reach: reach.clone() };
        Ok(Self { agent: ureq::Agent::with_parts(config, DefaultConnector::default(), guarded) })
    }

    /// Carries a message: the headers of Standard Webhooks 1.0.0, and the body as the
    /// structured content mode of `CloudEvents` has it.
    pub(super) fn send(&self, url: &str, id: &str, timestamp: i64, signature: &str, body: &str) -> Sent {
        let begun = Instant::now();
        let answer = self
            .agent
            .post(url)
            .header("content-type", "application/cloudevents+json; charset=utf-8")
            .header("webhook-id", id)
            .header("webhook-timestamp", timestamp.to_string())
            .header("webhook-signature", signature)
            .send(body);
        let took_ms = u32::try_from(begun.elapsed().as_millis()).unwrap_or(u32::MAX);
        match answer {
            Ok(answer) => Sent { status: Some(answer.status().as_u16()), fault: None, took_ms },
            Err(error) => Sent { status: None, fault: Some(word(&error).to_owned()), took_ms },
        }
    }
}

/// The word under which a fault stands in the log of deliveries.
fn word(error: &ureq::Error) -> &'static str {
    #[expect(
        clippy::wildcard_enum_match_arm,
        reason = "the library's list is open; the rest is the connection's"
    )]
    match error {
        ureq::Error::Other(cause) if cause.is::<NotAllowed>() => "address_not_allowed",
        ureq::Error::RequireHttpsOnly(_) => "not_encrypted",
        ureq::Error::Timeout(_) => "timeout",
        ureq::Error::HostNotFound => "unknown_host",
        ureq::Error::Tls(_) | ureq::Error::Rustls(_) | ureq::Error::TlsRequired => "tls",
        ureq::Error::Protocol(_) | ureq::Error::LargeResponseHeader(..) => "protocol",
        ureq::Error::Io(cause)
            if cause.get_ref().is_some_and(|inner| inner.to_string().contains("certificate")) =>
        {
            "tls"
        }
        _ => "connection",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustls::pki_types::pem::PemObject as _;
    use rustls::pki_types::{CertificateDer, PrivateKeyDer};
    use std::io::{Read as _, Write as _};
    use std::net::{TcpListener, TcpStream};
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::sync::{Arc, mpsc};

    /// A receiver on this machine that answers every request alike, and counts connections.
    struct Receiver {
        port: u16,
        connections: Arc<AtomicUsize>,
        requests: mpsc::Receiver<String>,
    }

    impl Receiver {
        fn answering(at: &str, answer: impl Fn(&mut TcpStream) + Send + 'static) -> Self {
            let listener = TcpListener::bind(at).unwrap();
            let port = listener.local_addr().unwrap().port();
            let connections = Arc::new(AtomicUsize::new(0));
            let (sender, requests) = mpsc::channel();
            let counted = Arc::clone(&connections);
            std::thread::spawn(move || {
                for stream in listener.incoming() {
                    let mut stream = stream.unwrap();
                    counted.fetch_add(1, Ordering::SeqCst);
                    let mut request = vec![0; 8192];
                    let read = stream.read(&mut request).unwrap_or(0);
                    drop(sender.send(String::from_utf8_lossy(&request[..read]).into_owned()));
                    answer(&mut stream);
                }
            });
            Self { port, connections, requests }
        }

        fn connections(&self) -> usize {
            self.connections.load(Ordering::SeqCst)
        }
    }

    fn say(stream: &mut TcpStream, text: &str) {
        drop(stream.write_all(text.as_bytes()));
    }

    const NO_CONTENT: &str = "HTTP/1.1 204 No Content\r\nContent-Length: 0\r\n\r\n";

    fn open() -> Reach {
        Reach { http: true, networks: vec!["127.0.0.0/8".parse().unwrap()], authorities: None }
    }

    fn send(reach: &Reach, url: &str) -> Sent {
        Courier::new(reach).unwrap().send(url, "msg", 1, "v1,x", "{}")
    }

    #[test]
    fn a_message_arrives_with_the_headers_of_standard_webhooks() {
        let receiver = Receiver::answering("127.0.0.1:0", |stream| say(stream, NO_CONTENT));
        let sent = send(&open(), &format!("http://127.0.0.1:{}/hook", receiver.port));
        assert_eq!((sent.status, sent.fault), (Some(204), None));
        let request = receiver.requests.recv().unwrap().to_lowercase();
        assert!(request.starts_with("post /hook http/1.1\r\n"), "{request}");
        for header in [
            "webhook-id: msg",
            "webhook-timestamp: 1",
            "webhook-signature: v1,x",
            "application/cloudevents+json",
        ] {
            assert!(request.contains(header), "{header} in {request}");
        }
    }

    /// What matters is what a name comes to mean in the end: this one means this machine.
    #[test]
    fn no_connection_is_opened_to_an_address_that_is_not_allowed() {
        let receiver = Receiver::answering("127.0.0.1:0", |stream| say(stream, NO_CONTENT));
        let strict = Reach { http: true, ..Reach::default() };
        for host in ["127.0.0.1", "localhost", "127.1", "0.0.0.0", "[::ffff:127.0.0.1]", "2130706433"] {
            let sent = send(&strict, &format!("http://{host}:{}/", receiver.port));
            assert_eq!(sent.fault.as_deref(), Some("address_not_allowed"), "{host}");
        }
        for host in ["169.254.169.254", "10.0.0.1", "[::1]", "[fe80::1]", "[fd00::1]", "100.64.0.1"] {
            let sent = send(&strict, &format!("http://{host}/"));
            assert_eq!(sent.fault.as_deref(), Some("address_not_allowed"), "{host}");
            assert!(sent.took_ms < 2000);
        }
        assert_eq!(receiver.connections(), 0);
    }

    #[test]
    fn an_address_that_is_allowed_does_not_open_the_others() {
        let receiver = Receiver::answering("127.0.0.1:0", |stream| say(stream, NO_CONTENT));
        let reach = Reach { http: true, networks: vec!["127.0.0.2/32".parse().unwrap()], authorities: None };
        let sent = send(&reach, &format!("http://127.0.0.1:{}/", receiver.port));
        assert_eq!(sent.fault.as_deref(), Some("address_not_allowed"));
        assert_eq!(receiver.connections(), 0);
    }

    #[test]
    fn plain_http_is_refused_unless_the_site_allows_it() {
        let receiver = Receiver::answering("127.0.0.1:0", |stream| say(stream, NO_CONTENT));
        let reach = Reach { http: false, ..open() };
        let sent = send(&reach, &format!("http://127.0.0.1:{}/", receiver.port));
        assert_eq!(sent.fault.as_deref(), Some("not_encrypted"));
        assert_eq!(receiver.connections(), 0);
    }

    #[test]
    fn a_redirect_is_an_answer_and_is_not_followed() {
        let target = Receiver::answering("127.0.0.1:0", |stream| say(stream, NO_CONTENT));
        let location = format!("http://127.0.0.1:{}/", target.port);
        let receiver = Receiver::answering("127.0.0.1:0", move |stream| {
            say(
                stream,
                &format!(
                    "HTTP/1.1 307 Temporary Redirect\r\nLocation: {location}\r\nContent-Length: 0\r\n\r\n"
                ),
            );
        });
        let sent = send(&open(), &format!("http://127.0.0.1:{}/", receiver.port));
        assert_eq!(sent.status, Some(307));
        assert_eq!(target.connections(), 0);
    }

    /// A body without end does not hold the sender up, nor does a head without end.
    #[test]
    fn an_answer_without_end_is_not_read_to_its_end() {
        let endless = |head: &'static str| {
            Receiver::answering("127.0.0.1:0", move |stream| {
                say(stream, head);
                while stream.write_all(&[b'a'; 4096]).is_ok() {}
            })
        };
        let body = endless("HTTP/1.1 200 OK\r\nContent-Type: text/plain\r\n\r\n");
        let sent = send(&open(), &format!("http://127.0.0.1:{}/", body.port));
        assert_eq!(sent.status, Some(200));
        assert!(sent.took_ms < 5000, "{}", sent.took_ms);
        let head = endless("HTTP/1.1 200 OK\r\nX: ");
        let sent = send(&open(), &format!("http://127.0.0.1:{}/", head.port));
        assert_eq!((sent.status, sent.fault.as_deref()), (None, Some("protocol")));
        assert!(sent.took_ms < 5000, "{}", sent.took_ms);
    }

    #[test]
    fn what_does_not_speak_tls_or_is_not_there_is_told_apart() {
        let plain = Receiver::answering("127.0.0.1:0", |stream| say(stream, NO_CONTENT));
        let sent = send(&open(), &format!("https://127.0.0.1:{}/", plain.port));
        assert_eq!(sent.status, None);
        assert!(sent.fault.is_some());
        let closed = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let sent = send(&open(), &format!("http://127.0.0.1:{closed}/"));
        assert_eq!(sent.fault.as_deref(), Some("connection"));
        let sent = send(&open(), "http://receiver.invalid/");
        assert_eq!(sent.fault.as_deref(), Some("unknown_host"));
    }

    const AUTHORITY: &str = include_str!("../../tests/reference/tls/authority.pem");

    /// A receiver on this machine that speaks TLS with a certificate of the tests' authority.
    fn encrypted() -> u16 {
        let pem = include_str!("../../tests/reference/tls/receiver.pem");
        let key = include_str!("../../tests/reference/tls/receiver.key");
        let chain = CertificateDer::pem_slice_iter(pem.as_bytes()).map(Result::unwrap).collect();
        let key = PrivateKeyDer::from_pem_slice(key.as_bytes()).unwrap();
        let config =
            rustls::ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
                .with_safe_default_protocol_versions()
                .unwrap()
                .with_no_client_auth()
                .with_single_cert(chain, key)
                .unwrap();
        let config = Arc::new(config);
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let mut stream = stream.unwrap();
                let mut connection = rustls::ServerConnection::new(Arc::clone(&config)).unwrap();
                let mut tls = rustls::Stream::new(&mut connection, &mut stream);
                let mut request = [0; 4096];
                if tls.read(&mut request).is_ok() {
                    drop(tls.write_all(NO_CONTENT.as_bytes()));
                    drop(tls.flush());
                }
            }
        });
        port
    }

    #[test]
    fn a_message_goes_encrypted_to_a_receiver_that_an_authority_vouches_for() {
        let reach = Reach { http: false, authorities: Some(AUTHORITY.to_owned()), ..open() };
        let sent = send(&reach, &format!("https://127.0.0.1:{}/", encrypted()));
        assert_eq!((sent.status, sent.fault), (Some(204), None));
    }

    #[test]
    fn a_receiver_that_nobody_vouches_for_or_of_another_name_gets_nothing() {
        let port = encrypted();
        let sent = send(&open(), &format!("https://127.0.0.1:{port}/"));
        assert_eq!((sent.status, sent.fault.as_deref()), (None, Some("tls")));
        let reach = Reach { authorities: Some(AUTHORITY.to_owned()), ..open() };
        let sent = send(&reach, &format!("https://127.0.0.2:{port}/"));
        assert_eq!(sent.status, None);
        let sent = send(&reach, &format!("https://localhost:{port}/"));
        assert_eq!((sent.status, sent.fault.as_deref()), (None, Some("tls")));
    }

    #[test]
    fn only_certificates_are_taken_for_authorities() {
        for bad in ["", "nothing", "-----BEGIN CERTIFICATE-----\n!!!\n-----END CERTIFICATE-----\n"] {
            let reach = Reach { authorities: Some(bad.to_owned()), ..open() };
            assert!(Courier::new(&reach).is_err(), "{bad:?}");
        }
    }
}

//! Something in front of several instances: each connection goes to the next one
//! that takes it.

use std::io::copy;
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread::JoinHandle;

/// A proxy of connections, in turn to each of the instances.
pub(crate) struct Proxy {
    address: SocketAddr,
    ended: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Proxy {
    /// In front of these.
    pub(crate) fn to(instances: Vec<SocketAddr>) -> Self {
        let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
        let address = listener.local_addr().unwrap();
        let ended = Arc::new(AtomicBool::new(false));
        let until = Arc::clone(&ended);
        let thread = std::thread::spawn(move || {
            let turn = AtomicUsize::new(0);
            for caller in listener.incoming().take_while(|_| !until.load(Ordering::SeqCst)) {
                let (Ok(caller), instances) = (caller, instances.clone()) else { continue };
                let first = turn.fetch_add(1, Ordering::Relaxed);
                std::thread::spawn(move || pass_on(&caller, &instances, first));
            }
        });
        Self { address, ended, thread: Some(thread) }
    }

    /// Where it listens.
    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::SeqCst);
        // Wakes the one that waits for callers.
        drop(TcpStream::connect(self.address));
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

/// A caller whom no instance takes is left without an answer.
fn pass_on(caller: &TcpStream, instances: &[SocketAddr], first: usize) {
    let mut turns = (0..instances.len()).map(|turn| instances[(first + turn) % instances.len()]);
    let Some(instance) = turns.find_map(|address| TcpStream::connect(address).ok()) else { return };
    std::thread::scope(|scope| {
        scope.spawn(|| one_way(caller, &instance));
        one_way(&instance, caller);
    });
}

fn one_way(mut from: &TcpStream, mut to: &TcpStream) {
    drop(copy(&mut from, &mut to));
    // The other way ends with this one; callers here ask once on each connection.
    drop(to.shutdown(Shutdown::Both));
    drop(from.shutdown(Shutdown::Both));
}

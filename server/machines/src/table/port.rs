//! The table's end of its link: it holds one client, and what it says to nobody is lost.

use std::io;

use tokio::io::AsyncWriteExt as _;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

/// A listener with at most one client.
pub struct Port {
    listener: TcpListener,
    client: Option<TcpStream>,
    connected: watch::Sender<bool>,
}

impl Port {
    pub fn new(listener: TcpListener, connected: watch::Sender<bool>) -> Self {
        Self { listener, client: None, connected }
    }

    /// Waits until a client is there.
    pub async fn client(&mut self) {
        self.drop_if_gone();
        while self.client.is_none() {
            self.accept().await;
        }
    }

    /// Watches over the link for ever: takes a client, turns others away, sees it leave. May be dropped at any time.
    pub async fn mind(&mut self) -> ! {
        loop {
            let Some(client) = &self.client else {
                self.accept().await;
                continue;
            };
            tokio::select! {
                // Readable: it said something, which a table does not hear, or it left.
                _ = client.readable() => self.drop_if_gone(),
                other = self.listener.accept() => turn_away(other).await,
            }
        }
    }

    /// Sends bytes; false where they were said to nobody.
    pub async fn send(&mut self, bytes: &[u8]) -> bool {
        self.drop_if_gone();
        let Some(client) = &mut self.client else { return false };
        let mut sending = std::pin::pin!(client.write_all(bytes));
        let sent = loop {
            tokio::select! {
                biased;
                sent = &mut sending => break sent,
                // The one client may be slow to take what is sent; another is turned away all the same.
                other = self.listener.accept() => turn_away(other).await,
            }
        };
        if let Err(error) = sent {
            tracing::debug!(%error, "the table's client is gone");
            self.hang_up();
            return false;
        }
        true
    }

    /// Cuts the link after what was sent.
    pub async fn cut(&mut self) {
        if let Some(client) = &mut self.client {
            // An error says that it is cut already.
            let _ = client.shutdown().await;
        }
        self.hang_up();
    }

    async fn accept(&mut self) {
        match self.listener.accept().await {
            Ok((client, _)) => {
                self.client = Some(client);
                self.connected.send_replace(true);
            }
            Err(error) => wait_after(&error).await,
        }
    }

    /// A client that closed its end is dropped, so that the next one finds the place free.
    fn drop_if_gone(&mut self) {
        let Some(client) = &self.client else { return };
        let mut heard = [0; 256];
        loop {
            match client.try_read(&mut heard) {
                Ok(0) => break,
                Ok(_) => {}
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(_) => break,
            }
        }
        self.hang_up();
    }

    fn hang_up(&mut self) {
        self.client = None;
        self.connected.send_replace(false);
    }
}

async fn turn_away(other: io::Result<(TcpStream, std::net::SocketAddr)>) {
    match other {
        Ok((stream, address)) => {
            tracing::debug!(%address, "the table is busy with another client");
            drop(stream);
        }
        Err(error) => wait_after(&error).await,
    }
}

/// A failed accept, such as for want of file handles, fails again at once: without a wait it would take a whole core.
async fn wait_after(error: &io::Error) {
    tracing::warn!(%error, "the table could not take a call");
    tokio::time::sleep(std::time::Duration::from_millis(100)).await;
}

// A wire between browser and server that can be cut: a relay on a port of its own.
import { once } from 'node:events';
import { connect, createServer } from 'node:net';

export class Link {
  #sockets = new Set();
  #server;
  #port = 0;
  #to;

  /** To a server's address, "http://127.0.0.1:8477". */
  constructor(to) {
    this.#to = new URL(to);
  }

  get base() {
    return `http://127.0.0.1:${this.#port}`;
  }

  /** Opens the wire, at the same port as before. */
  async join() {
    this.#server = createServer((near) => {
      const far = connect(Number(this.#to.port), this.#to.hostname);
      for (const s of [near, far]) {
        this.#sockets.add(s);
        s.on('error', () => undefined); // the other end is told by its close
        s.on('close', () => {
          this.#sockets.delete(s);
          near.destroy();
          far.destroy();
        });
      }
      near.pipe(far);
      far.pipe(near);
    });
    this.#server.listen(this.#port, '127.0.0.1');
    await once(this.#server, 'listening');
    this.#port = this.#server.address().port;
  }

  /** Ends all connections and refuses new ones. */
  async cut() {
    const closed = new Promise((done) => this.#server.close(done));
    for (const s of this.#sockets) s.destroy();
    await closed;
  }
}

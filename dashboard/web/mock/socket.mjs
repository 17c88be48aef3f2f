// Just enough of RFC 6455 for the mock: text frames out, small masked ones in.
import { createHash } from 'node:crypto';

export function accept(request, socket, onText, onClose) {
  const key = createHash('sha1').update(`${request.headers['sec-websocket-key']}258EAFA5-E914-47DA-95CA-C5AB0DC85B11`).digest('base64');
  socket.write(`HTTP/1.1 101 Switching Protocols\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Accept: ${key}\r\n\r\n`);
  socket.on('data', (data) => {
    const opcode = data[0] & 15;
    const length = data[1] & 127;
    if (opcode === 8) socket.end();
    if (opcode !== 1 || length > 125) return;
    const mask = data.subarray(2, 6);
    onText(Buffer.from(data.subarray(6, 6 + length).map((b, i) => b ^ mask[i % 4])).toString());
  });
  socket.on('close', onClose);
  socket.on('error', onClose);
  return (text) => {
    const body = Buffer.from(text);
    const head = body.length < 126 ? Buffer.from([0x81, body.length]) : Buffer.from([0x81, 126, body.length >> 8, body.length & 255]);
    socket.write(Buffer.concat([head, body]));
  };
}

// Publishes FHIR files to the topic exchange with a plain AMQP client, as a clinic's interface engine would.
//
//   node publish.mjs AMQP_URL FILE...
//
// Routing key: the resource type. Content type: application/fhir+json. A file with `properties` and `body` is a recorded message: its
// body is published with its properties. Every message is confirmed by the broker, or the exit code is 1.
import { readFileSync } from 'node:fs';
import amqp from 'amqplib';

const [url, ...files] = process.argv.slice(2);
if (!url || files.length === 0) {
  console.error('usage: node publish.mjs AMQP_URL FILE...');
  process.exit(2);
}

const traceparent = '00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01';

/** The resource as bytes, its type, and the properties of its message. */
function messageIn(file) {
  const bytes = readFileSync(file);
  const content = JSON.parse(bytes);
  if (content.resourceType) {
    return { type: content.resourceType, body: bytes, properties: { contentType: 'application/fhir+json', headers: { traceparent } } };
  }
  const { properties: recorded, body } = content;
  return {
    type: body.resourceType,
    body: Buffer.from(JSON.stringify(body)),
    properties: {
      contentType: recorded.content_type,
      contentEncoding: recorded.content_encoding,
      messageId: recorded.message_id,
      type: recorded.type,
      timestamp: recorded.timestamp,
      appId: recorded.app_id,
      headers: recorded.headers,
    },
  };
}

const connection = await amqp.connect(url);
try {
  const channel = await connection.createConfirmChannel();
  for (const file of files) {
    const { type, body, properties } = messageIn(file);
    channel.publish('clinic.fhir', type, body, { persistent: true, ...properties });
  }
  await channel.waitForConfirms();
  await channel.close();
  console.log(`${files.length} published`);
} finally {
  await connection.close();
}

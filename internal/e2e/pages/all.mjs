// Walks through the pages as people do, in a real browser, against a service that holds the
// invented unit of people.mjs. INVENTED is the program internal/e2e/invented. FOLDER takes what is made on the way. With PICTURES, a folder, the
// pictures of the READMEs are made there.
//
//   node pages/all.mjs HTTP-BASE GRPC-ADDRESS INVENTED CHROMIUM FOLDER [PICTURES]
import { browser, pictures } from './walk.mjs';

if (pictures) {
  await import('./pictures.mjs');
} else {
  await import('./watch.mjs');
  await import('./find.mjs');
  await import('./card.mjs');
  await import('./paper.mjs');
  await import('./tasks.mjs');
  await import('./reach.mjs');
  await import('./live.mjs'); // changes the record, so it comes last
}
await browser.browser.close();

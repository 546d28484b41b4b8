// Looks at a page in a real browser, wide and narrow, in light and dark, with the keyboard, and on paper.
//
//   node look.mjs CHROMIUM ADDRESS MOST_SHEETS [FOLDER FOR PICTURES]
//
// Prints a line for everything that is wrong; exit code 1 where there is anything.
import { chromium } from 'playwright-core';
import { problemsInPage } from './in-page.mjs';

const [, , executablePath, address, mostSheets, folder] = process.argv;
const widths = [1400, 390, 360];
const problems = [];

const browser = await chromium.launch({
  executablePath,
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});
try {
  for (const width of widths) {
    for (const colorScheme of ['light', 'dark']) {
      const where = `${width} px, ${colorScheme}`;
      const page = await browser.newPage({ viewport: { width, height: 900 }, colorScheme });
      page.on('console', message => problems.push(`${where}: console ${message.type()}: ${message.text()}`));
      page.on('pageerror', error => problems.push(`${where}: error: ${error.message}`));
      page.on('request', request => { if (request.url() !== address) problems.push(`${where}: asks for ${request.url()}`); });
      const response = await page.goto(address);
      if (response && !response.ok() && response.status() !== 0) problems.push(`${where}: HTTP ${response.status()}`);
      problems.push(...(await page.evaluate(problemsInPage)).map(problem => `${where}: ${problem}`));
      if (colorScheme === 'light') problems.push(...(await focusProblems(page)).map(problem => `${where}: ${problem}`));
      if (folder) await page.screenshot({ path: `${folder}/${width}-${colorScheme}.png`, fullPage: true });
      if (width === widths[0]) {
        const sheets = [...(await page.pdf({ preferCSSPageSize: true, printBackground: true })).toString('latin1').matchAll(/\/Type\s*\/Page\b/g)].length;
        if (sheets === 0 || sheets > Number(mostSheets)) problems.push(`${where}: ${sheets} sheets of paper`);
      }
      await page.close();
    }
  }
} finally {
  await browser.close();
}

for (const problem of problems) console.log(problem);
process.exitCode = problems.length > 0 ? 1 : 0;

// The keyboard reaches every link in the order of the page, and shows where it is.
async function focusProblems(page) {
  const links = await page.evaluate(() => [...document.querySelectorAll('a[href]')].filter(a => a.getClientRects().length > 0).length);
  const found = [];
  for (let i = 0; i < Math.min(links, 40); i++) {
    await page.keyboard.press('Tab');
    const at = await page.evaluate(() => {
      const visible = [...document.querySelectorAll('a[href]')].filter(a => a.getClientRects().length > 0);
      return { index: visible.indexOf(document.activeElement), outline: getComputedStyle(document.activeElement).outlineStyle };
    });
    if (at.index !== i) found.push(`focus ${i + 1} is on link ${at.index + 1}`);
    if (at.outline === 'none') found.push(`focus ${i + 1} cannot be seen`);
  }
  return found;
}

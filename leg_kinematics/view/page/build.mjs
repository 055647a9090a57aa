// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// `npm run build` makes all that the server hands out: ../built, or the folder that is named.

import { build } from 'esbuild';
import { copyFile, mkdir, readFile, writeFile } from 'node:fs/promises';
import { fileURLToPath } from 'node:url';
import { join } from 'node:path';

const here = fileURLToPath(new URL('.', import.meta.url));
const out = process.argv[2] ?? join(here, '..', 'built');

const banner = '/* Copyright 2026 The leg_kinematics authors. SPDX-License-Identifier: Apache-2.0 */';

await mkdir(out, { recursive: true });
await build({
  absWorkingDir: here,
  entryPoints: { page: 'src/main.ts' },
  outdir: out,
  bundle: true,
  minify: true,
  format: 'esm',
  target: 'es2022',
  charset: 'utf8',
  legalComments: 'none', // all of them are in licences.txt
  banner: { js: banner },
});
await build({
  absWorkingDir: here,
  entryPoints: ['src/page.css'],
  outdir: out,
  minify: true,
  charset: 'utf8',
  banner: { css: banner },
});
for (const name of ['index.html', 'icon.svg']) {
  await copyFile(join(here, 'src', name), join(out, name));
}

const three = join(here, 'node_modules', 'three');
const { version } = JSON.parse(await readFile(join(three, 'package.json'), 'utf8'));
const licence = await readFile(join(three, 'LICENSE'), 'utf8');
await writeFile(
  join(out, 'licences.txt'),
  'page.js is under SPDX-License-Identifier: Apache-2.0, like all of leg_kinematics.\n' +
    `It contains three ${version}, which is under the following licence.\n\n${licence}`,
);

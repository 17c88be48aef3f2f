import { render } from 'preact';
import '../look/tokens.css';
import '../look/page.css';
import { applyTheme } from '../settings';
import { NewSitePage } from './page';

applyTheme(document.documentElement);
const host = document.getElementById('page');
if (host) render(<NewSitePage />, host);

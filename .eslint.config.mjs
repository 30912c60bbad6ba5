// The pages' scripts: every name is declared in its module or imported, nothing is left over.
const browser = [
  'document', 'window', 'navigator', 'localStorage', 'sessionStorage', 'DOMParser', 'indexedDB', 'IDBKeyRange', 'history',
  'fetch', 'URL', 'Blob', 'File', 'Image', 'ResizeObserver', 'atob', 'crypto', 'AbortController',
  'AbortSignal', 'setTimeout', 'clearTimeout', 'requestAnimationFrame', 'cancelAnimationFrame',
  'URLSearchParams', 'FormData', 'HTMLInputElement', 'structuredClone', 'createImageBitmap', 'location', 'CSS',
  'console', 'TextEncoder', 'DOMException', 'performance', 'caches',
];

export default [
  {
    files: ['counting/**/*.js'],
    languageOptions: {
      ecmaVersion: 2022,
      sourceType: 'module',
      globals: Object.fromEntries(browser.map((name) => [name, 'readonly'])),
    },
    linterOptions: { reportUnusedDisableDirectives: 'error' },
    rules: {
      'no-undef': 'error',
      'no-unused-vars': ['error', { caughtErrors: 'none', args: 'after-used' }],
      'no-shadow': 'error',
      'no-redeclare': 'error',
      'no-use-before-define': ['error', { functions: false, variables: false }],
      'no-import-assign': 'error',
      'no-var': 'error',
      'prefer-const': 'error',
      eqeqeq: ['error', 'always', { null: 'ignore' }],
      'no-implicit-globals': 'error',
      'no-eval': 'error',
      'no-new-func': 'error',
      'no-implied-eval': 'error',
      'no-unreachable': 'error',
      'no-dupe-keys': 'error',
      'no-duplicate-imports': 'error',
      'no-self-assign': 'error',
      'no-useless-escape': 'error',
      'no-fallthrough': 'error',
      'require-await': 'error',
      'max-lines': ['error', 400],
    },
  },
];
